//! Long records as short lines that lose no extreme.

/// At most about `4 · columns` of points in order of x: of each column of `(low, high)` the first, the least, the greatest
/// and the last, in the order in which they stand. What is no number is left out.
pub(crate) fn thinned(
    points: impl Iterator<Item = (f64, f64)>,
    (low, high): (f64, f64),
    columns: usize,
) -> Vec<(f64, f64)> {
    let per_column = columns as f64 / (high - low).max(f64::MIN_POSITIVE);
    let mut kept = Vec::new();
    let mut column: Option<(i64, Column)> = None;
    for point in points.filter(|(x, y)| x.is_finite() && y.is_finite()) {
        let number = ((point.0 - low) * per_column).floor() as i64;
        match &mut column {
            Some((at, held)) if *at == number => held.take(point),
            _ => {
                if let Some((_, held)) = column.replace((number, Column::new(point))) {
                    held.put(&mut kept);
                }
            }
        }
    }
    if let Some((_, held)) = column {
        held.put(&mut kept);
    }
    kept
}

struct Column {
    count: usize,
    first: (f64, f64),
    least: (usize, (f64, f64)),
    greatest: (usize, (f64, f64)),
    last: (f64, f64),
}

impl Column {
    fn new(point: (f64, f64)) -> Self {
        Column { count: 1, first: point, least: (0, point), greatest: (0, point), last: point }
    }

    fn take(&mut self, point: (f64, f64)) {
        if point.1 < self.least.1.1 {
            self.least = (self.count, point);
        }
        if point.1 > self.greatest.1.1 {
            self.greatest = (self.count, point);
        }
        self.last = point;
        self.count += 1;
    }

    fn put(&self, kept: &mut Vec<(f64, f64)>) {
        let mut own =
            vec![(0, self.first), self.least, self.greatest, (self.count.saturating_sub(1), self.last)];
        own.sort_by_key(|(at, _)| *at);
        own.dedup_by_key(|(at, _)| *at);
        kept.extend(own.into_iter().map(|(_, point)| point));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_extreme_is_lost_and_few_points_stay_as_they_are() {
        // Project definition.
        let wave = |n: u32| if n == 4321 { 9.0 } else { f64::from(n % 7) };
        let points = || (0..10_000).map(|n| (f64::from(n), wave(n)));
        let thin = thinned(points(), (0.0, 10_000.0), 100);
        assert!(thin.len() <= 400, "{}", thin.len());
        assert!(
            thin.contains(&(4321.0, 9.0))
                && thin.first() == Some(&(0.0, 0.0))
                && thin.last().unwrap().0 == 9999.0
        );
        assert!(thin.windows(2).all(|pair| pair[0].0 < pair[1].0));
        let few: Vec<_> = points().take(5).collect();
        assert_eq!(thinned(few.iter().copied().chain([(5.0, f64::NAN)]), (0.0, 5.0), 100), few);
    }
}
