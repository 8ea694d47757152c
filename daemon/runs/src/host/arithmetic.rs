//! Functions of scripts that ask nobody: decibels, sums of squares, numbers as people read them.

use rhai::{Array, Dynamic, Engine, EvalAltResult};

type Answer = Result<Dynamic, Box<EvalAltResult>>;

/// Registers them.
pub fn register(engine: &mut Engine) {
    engine.register_fn("db_to_ratio", |db: f64| 10f64.powf(db / 20.0));
    engine.register_fn("db_to_ratio", |db: i64| 10f64.powf(db as f64 / 20.0));
    engine.register_fn("ratio_to_db", |ratio: f64| ratio_to_db(ratio));
    engine.register_fn("ratio_to_db", |ratio: i64| ratio_to_db(ratio as f64));
    engine.register_fn("root_sum_square", |parts: Array| root_sum_square(&parts));
    engine.register_fn("significant", |value: f64, digits: i64| significant(value, digits));
    engine.register_fn("significant", |value: i64, digits: i64| significant(value as f64, digits));
}

fn ratio_to_db(ratio: f64) -> Answer {
    if ratio > 0.0 {
        Ok((20.0 * ratio.log10()).into())
    } else {
        Err(format!("ratio_to_db() takes a ratio of amplitudes above 0, not {ratio}").into())
    }
}

fn root_sum_square(parts: &Array) -> Answer {
    let number = |part: &Dynamic| part.as_float().ok().or(part.as_int().ok().map(|whole| whole as f64));
    let numbers: Option<Vec<f64>> = parts.iter().map(number).collect();
    let numbers = numbers.ok_or("root_sum_square() takes a list of numbers")?;
    Ok(numbers.iter().map(|part| part * part).sum::<f64>().sqrt().into())
}

/// So many significant digits, without an exponent or needless zeros at the end.
fn significant(value: f64, digits: i64) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let places = digits.clamp(1, 15) - 1 - value.abs().log10().floor() as i64;
    let unit = 10f64.powi(places.clamp(-300, 300) as i32);
    let text = format!("{:.*}", places.clamp(0, 15) as usize, (value * unit).round() / unit);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').into() } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(script: &str) -> String {
        let mut engine = Engine::new();
        register(&mut engine);
        engine.eval::<Dynamic>(script).map_or_else(|error| error.to_string(), |value| value.to_string())
    }

    /// Definitions of the decibel, of a root of a sum of squares and of significant digits.
    #[test]
    fn they_do_what_their_names_say() {
        for (script, answer) in [
            ("db_to_ratio(20)", "10.0"),
            ("ratio_to_db(10.0)", "20.0"),
            ("root_sum_square([3, 4.0])", "5.0"),
            ("significant(6.324678, 4)", "6.325"),
            ("significant(1523.4, 2)", "1500"),
            ("significant(0.0045358, 2)", "0.0045"),
            ("significant(-2, 3)", "-2"),
            ("significant(0.0, 3)", "0"),
        ] {
            assert_eq!(told(script), answer, "{script}");
        }
        assert!(told("ratio_to_db(0.0)").contains("above 0"));
        assert!(told("root_sum_square([1, \"x\"])").contains("list of numbers"));
    }
}
