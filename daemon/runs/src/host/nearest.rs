//! The nearest right name to one that is wrong.

/// The name nearest to a wrong one; none where nothing is near enough to have been meant.
pub fn nearest<'a>(wrong: &str, right: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    // A name without its unit is meant to have it.
    let without_unit = |name: &str| name.strip_prefix(wrong).is_some_and(|rest| rest.starts_with('_'));
    let far = |name: &'a str| (if without_unit(name) { 1 } else { distance(name, wrong) }, name);
    let near = right.into_iter().map(far).min()?;
    let enough = (wrong.chars().count() / 2).max(2);
    (near.0 <= enough).then_some(near.1)
}

/// That name in words that follow a message: `, perhaps level_vrms`; nothing where there is none.
pub fn perhaps<'a>(wrong: &str, right: impl IntoIterator<Item = &'a str>) -> String {
    nearest(wrong, right).map(|name| format!(", perhaps {name}")).unwrap_or_default()
}

/// Edit distance (Levenshtein).
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = i;
        let mut left = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let above = row.get(j + 1).copied().unwrap_or(0);
            let cost = (diagonal + usize::from(ca != *cb)).min(above + 1).min(left + 1);
            diagonal = above;
            if let Some(cell) = row.get_mut(j) {
                *cell = left;
            }
            left = cost;
        }
        if let Some(cell) = row.last_mut() {
            *cell = left;
        }
    }
    row.last().copied().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edit_distance_of_known_pairs() {
        // Textbook pairs, from memory.
        for (a, b, d) in
            [("kitten", "sitting", 3), ("", "abc", 3), ("abc", "", 3), ("flaw", "lawn", 2), ("x", "x", 0)]
        {
            assert_eq!(distance(a, b), d, "{a} {b}");
        }
    }

    /// Project definition.
    #[test]
    fn only_what_may_have_been_meant_is_offered() {
        let right = ["level_vrms", "hz", "on"];
        assert_eq!(nearest("levl_vrms", right), Some("level_vrms"));
        assert_eq!(nearest("temperature", right), None);
        assert_eq!(nearest("level", right), Some("level_vrms"));
        assert_eq!(perhaps("hx", right), ", perhaps hz");
        assert_eq!(perhaps("x", []), "");
    }
}
