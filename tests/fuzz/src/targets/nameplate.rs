//! Nameplates.
//!
//! Holds: a refusal says where; a nameplate that is taken, written again, is taken as the same.

use std::path::Path;

use wattproof_runs::Nameplate;

use super::text;
use crate::Target;

/// This target.
pub const TARGET: Target = Target {
    name: "nameplate",
    check,
    words: &[
        "[[rating]]",
        "maker = \"\"",
        "model = \"",
        "serial = \"1\"",
        "invented = true",
        "channels = 16",
        "watts = ",
        "load_ohm = ",
        "supply_v = ",
        "driven = \"all\"",
        "driven = \"one\"",
        "limit_pct = ",
        "limit_by = \"thd\"",
        "hz = ",
        "= nan",
        "= inf",
        "= -1",
        "\"\"\"",
        "'''",
        "{",
        "}",
        "1979-05-27",
        "\\u0000",
        "#",
    ],
    shipped: &[],
};

/// Tries one input.
pub fn check(bytes: &[u8]) {
    let (text, path) = (text(bytes), Path::new("amp.toml"));
    match Nameplate::parse(path, &text) {
        Ok(plate) => {
            let written = toml::to_string(&plate).unwrap();
            assert_eq!(Nameplate::parse(path, &written).expect("what was written is not taken"), plate);
            assert!(plate.rating.iter().all(|rating| rating.load_w() > 0.0 && rating.load_ohm > 0.0));
        }
        Err(error) => assert!(error.to_string().contains("amp.toml"), "{error}"),
    }
}
