//! Whether an instrument is the one that somebody means, by what it answers when asked who it is.

/// Whether an answer to the question who it is fits what somebody wrote: with commas, field by field from the first
/// (IEEE 488.2, 10.14: maker, model, serial number, firmware), where an empty field takes anything; without, anywhere
/// in the answer. Capitals do not count.
pub fn identity_fits(wanted: &str, answer: &str) -> bool {
    let wanted = wanted.trim();
    if !wanted.contains(',') {
        return !wanted.is_empty() && answer.to_lowercase().contains(&wanted.to_lowercase());
    }
    let mut fields = answer.splitn(4, ',');
    wanted.splitn(4, ',').all(|wanted| {
        let field = fields.next();
        wanted.trim().is_empty()
            || field.is_some_and(|field| field.trim().eq_ignore_ascii_case(wanted.trim()))
    })
}

#[cfg(test)]
mod tests {
    use super::identity_fits;

    #[test]
    fn a_whole_identity_or_a_part_of_it_fits() {
        // The fields are those of IEEE 488.2, 10.14; what counts as a part is the project's own definition.
        let answer = "Invented, Load 4 ,0007,1.2";
        for (wanted, fits) in [
            ("Invented,Load 4,0007,1.2", true),
            ("invented,load 4", true),
            (",,0007", true),
            ("Invented,Load", false),
            ("Invented,,0008", false),
            ("load 4", true),
            ("0007", true),
            ("Other", false),
            ("", false),
            ("Invented,Load 4,0007,1.2,more", false),
        ] {
            assert_eq!(identity_fits(wanted, answer), fits, "{wanted:?}");
        }
        assert!(!identity_fits(",Load", "a text without fields"));
    }
}
