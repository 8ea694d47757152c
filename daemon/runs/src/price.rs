//! What the amplifier under test costs, as its nameplate says it.

use wattproof_bench::Origin;

use crate::{Nameplate, NameplateError};

/// Looks whether price and currency of a nameplate make sense together.
///
/// # Errors
/// [`NameplateError::Price`], with file and line.
pub fn check(plate: &Nameplate, origin: &Origin) -> Result<(), NameplateError> {
    let wrong = |key: &str, what: String| Err(NameplateError::Price { place: origin.place("", key), what });
    match (plate.price, plate.currency.as_deref()) {
        (Some(price), _) if !(price > 0.0 && price.is_finite()) => wrong(
            "price",
            format!("price = {price} must be a number greater than 0: leave it out if it is not known"),
        ),
        (_, Some(currency)) if !is_code(currency) => wrong(
            "currency",
            format!(
                "currency = {currency:?} must be three capital letters of ISO 4217, as \"EUR\" or \"USD\""
            ),
        ),
        (Some(_), None) => wrong("price", "price needs a currency beside it, as currency = \"EUR\"".into()),
        (None, Some(_)) => {
            wrong("currency", "currency needs a price beside it: add one, or remove it".into())
        }
        _ => Ok(()),
    }
}

/// ISO 4217, alphabetic codes: three capital letters of the Latin alphabet (from memory).
fn is_code(text: &str) -> bool {
    text.len() == 3 && text.bytes().all(|letter| letter.is_ascii_uppercase())
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    fn parsed(head: &str) -> Result<Nameplate, NameplateError> {
        let text = format!(
            "maker = \"A\"\nmodel = \"B\"\n{head}channels = 2\n[[rating]]\nwatts = 50.0\nload_ohm = 4.0\nsupply_v = 14.4\ndriven = \"all\"\nlimit_pct = 1.0\n"
        );
        Nameplate::parse(Path::new("amp.toml"), &text)
    }

    #[test]
    fn price_and_currency_and_a_golden_unit_are_kept_as_said() {
        let plate = parsed("price = 249.5\ncurrency = \"EUR\"\ngolden = true\n").unwrap();
        assert_eq!((plate.price, plate.currency.as_deref(), plate.golden), (Some(249.5), Some("EUR"), true));
        let again: Nameplate = serde_json::from_str(&serde_json::to_string(&plate).unwrap()).unwrap();
        assert_eq!(again, plate);
        let plain = parsed("").unwrap();
        assert_eq!((plain.price, plain.currency.clone(), plain.golden), (None, None, false));
        let text = serde_json::to_string(&plain).unwrap();
        assert!(!text.contains("price") && !text.contains("currency") && !text.contains("golden"), "{text}");
    }

    #[test]
    fn what_makes_no_sense_is_told_with_file_and_line() {
        for (head, line, words) in [
            ("price = 0.0\ncurrency = \"EUR\"\n", 3, "greater than 0"),
            ("price = -5.0\ncurrency = \"EUR\"\n", 3, "greater than 0"),
            ("price = inf\ncurrency = \"EUR\"\n", 3, "greater than 0"),
            ("price = nan\ncurrency = \"EUR\"\n", 3, "greater than 0"),
            ("price = 99.0\ncurrency = \"eur\"\n", 4, "ISO 4217"),
            ("price = 99.0\ncurrency = \"EURO\"\n", 4, "ISO 4217"),
            ("price = 99.0\ncurrency = \"€\"\n", 4, "ISO 4217"),
            ("price = 99.0\n", 3, "needs a currency"),
            ("currency = \"EUR\"\n", 3, "needs a price"),
            ("golden = \"yes\"\n", 3, "bool"),
        ] {
            let message = parsed(head).unwrap_err().to_string();
            assert!(message.contains(&format!("amp.toml:{line}")) && message.contains(words), "{message}");
        }
    }
}
