//! Straight lines by weighted least squares, with the covariance of what they are made of (JCGM 100:2008, H.3).

use serde::Serialize;

/// A point with its weight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weighted {
    /// Abscissa, taken as exact.
    pub x: f64,
    /// Ordinate.
    pub y: f64,
    /// Weight, as 1/u²; the same for all where nothing else is known.
    pub weight: f64,
}

/// y = `intercept` + `slope`·(x − x₀).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Line {
    /// Value at x₀.
    pub intercept: f64,
    /// Slope.
    pub slope: f64,
    /// Standard uncertainty of the intercept by the scatter.
    pub u_intercept: f64,
    /// Standard uncertainty of the slope by the scatter.
    pub u_slope: f64,
    /// Correlation of both; 0 for a line through zero.
    pub correlation: f64,
    /// Standard deviation of the points about the line, in units of 1/√weight.
    pub scatter: f64,
    /// Degrees of freedom.
    pub degrees: f64,
    /// Where the intercept is taken.
    pub x0: f64,
}

impl Line {
    /// The line at `x`.
    #[must_use]
    pub fn at(&self, x: f64) -> f64 {
        self.intercept + self.slope * (x - self.x0)
    }

    /// Standard uncertainty of that (JCGM 100:2008, H.3.4).
    #[must_use]
    pub fn u_at(&self, x: f64) -> f64 {
        let dx = x - self.x0;
        let variance = self.u_intercept.powi(2)
            + (dx * self.u_slope).powi(2)
            + 2.0 * dx * self.u_intercept * self.u_slope * self.correlation;
        variance.max(0.0).sqrt()
    }
}

/// The line through at least three points that don't lie above each other (JCGM 100:2008, H.3.2 with weights).
#[must_use]
pub fn line(points: &[Weighted], x0: f64) -> Option<Line> {
    let degrees = points.len().checked_sub(2).filter(|degrees| *degrees > 0)? as f64;
    let sum = |term: &dyn Fn(f64, f64) -> f64| -> f64 {
        points.iter().map(|point| point.weight * term(point.x - x0, point.y)).sum()
    };
    let (s, sx, sxx) = (sum(&|_, _| 1.0), sum(&|x, _| x), sum(&|x, _| x * x));
    let (sy, sxy) = (sum(&|_, y| y), sum(&|x, y| x * y));
    let d = s * sxx - sx * sx;
    let (intercept, slope) = ((sy * sxx - sx * sxy) / d, (s * sxy - sx * sy) / d);
    let squares: f64 = points
        .iter()
        .map(|point| point.weight * (point.y - intercept - slope * (point.x - x0)).powi(2))
        .sum();
    let scatter = (squares / degrees).sqrt();
    let found = Line {
        intercept,
        slope,
        u_intercept: scatter * (sxx / d).sqrt(),
        u_slope: scatter * (s / d).sqrt(),
        correlation: -sx / (s * sxx).sqrt(),
        scatter,
        degrees,
        x0,
    };
    // Relative to what it is the difference of: below rounding there is no line but a point.
    let spread = d > 1e-12 * s * sxx;
    (spread && [found.intercept, found.slope, found.u_slope].iter().all(|value| value.is_finite()))
        .then_some(found)
}

/// The line through zero and at least two points.
#[must_use]
pub fn through_zero(points: &[Weighted]) -> Option<Line> {
    let degrees = points.len().checked_sub(1).filter(|degrees| *degrees > 0)? as f64;
    let sxx: f64 = points.iter().map(|point| point.weight * point.x * point.x).sum();
    let sxy: f64 = points.iter().map(|point| point.weight * point.x * point.y).sum();
    let slope = sxy / sxx;
    let squares: f64 = points.iter().map(|point| point.weight * (point.y - slope * point.x).powi(2)).sum();
    let scatter = (squares / degrees).sqrt();
    let found = Line {
        intercept: 0.0,
        slope,
        u_intercept: 0.0,
        u_slope: scatter / sxx.sqrt(),
        correlation: 0.0,
        scatter,
        degrees,
        x0: 0.0,
    };
    (found.slope.is_finite() && found.u_slope.is_finite()).then_some(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, H.3: calibration of a thermometer; readings of table H.6, figures of H.3.3 and H.3.4 (from memory,
    /// and recomputed by hand to the same digits).
    #[test]
    fn the_thermometer_of_the_gum() {
        let t_c = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511];
        let b_c = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160];
        let points: Vec<Weighted> =
            t_c.into_iter().zip(b_c).map(|(x, y)| Weighted { x, y, weight: 1.0 }).collect();
        let found = line(&points, 20.0).unwrap();
        let near = |value: f64, published: f64, digit: f64| {
            assert!((value - published).abs() <= digit / 2.0, "{value}, published {published}");
        };
        near(found.intercept, -0.1712, 1e-4);
        near(found.u_intercept, 0.0029, 1e-4);
        near(found.slope, 0.00218, 1e-5);
        near(found.u_slope, 0.00067, 1e-5);
        near(found.correlation, -0.930, 1e-3);
        near(found.scatter, 0.0035, 1e-4);
        assert_eq!(found.degrees, 9.0);
        near(found.at(30.0), -0.1494, 1e-4);
        near(found.u_at(30.0), 0.0041, 1e-4);
        // H.3.6: with t0 at the mean of the readings the two are not correlated.
        let mean_c = t_c.iter().sum::<f64>() / t_c.len() as f64;
        assert!(line(&points, mean_c).unwrap().correlation.abs() < 1e-9);
    }

    /// A point of weight k counts as k points of weight 1 (definition of a weight).
    #[test]
    fn a_weight_counts_as_repetition() {
        let point = |x: f64, y: f64, weight: f64| Weighted { x, y, weight };
        let heavy = [point(0.0, 0.1, 3.0), point(1.0, 1.0, 1.0), point(2.0, 2.2, 1.0)];
        let repeated = [point(0.0, 0.1, 1.0), point(0.0, 0.1, 1.0), point(0.0, 0.1, 1.0), heavy[1], heavy[2]];
        let (a, b) = (line(&heavy, 0.0).unwrap(), line(&repeated, 0.0).unwrap());
        assert!((a.slope - b.slope).abs() < 1e-12 && (a.intercept - b.intercept).abs() < 1e-12);
        let (a, b) = (through_zero(&heavy).unwrap(), through_zero(&repeated).unwrap());
        assert!((a.slope - b.slope).abs() < 1e-12);
    }

    #[test]
    fn no_line_through_too_little() {
        let point = |x: f64, y: f64| Weighted { x, y, weight: 1.0 };
        assert!(line(&[point(0.0, 0.0), point(1.0, 1.0)], 0.0).is_none());
        assert!(line(&[point(1.0, 0.0), point(1.0, 1.0), point(1.0, 2.0)], 0.0).is_none());
        assert!(line(&[point(0.0, 0.0), point(1.0, f64::NAN), point(2.0, 2.0)], 0.0).is_none());
        assert!(through_zero(&[point(0.0, 0.0), point(0.0, 1.0)]).is_none());
    }
}
