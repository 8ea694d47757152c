//! What a person set of a script's parameters on the command line: `--set name=value`.

use std::collections::btree_map::Entry;

use clap::Args;
use wattproof_runs::Set;

use crate::failure::Failure;

/// What is set.
#[derive(Args, Clone)]
pub struct SetOrder {
    /// Set a parameter of the script (`wattproof check SCRIPT` lists them): a number, numbers with commas between them, a
    /// word, true or false; may be repeated
    #[arg(long = "set", value_name = "NAME=VALUE", value_parser = pair)]
    set: Vec<(String, String)>,
}

impl SetOrder {
    /// By name.
    ///
    /// # Errors
    /// When a name is set twice.
    pub fn by_name(&self) -> Result<Set, Failure> {
        let mut set = Set::new();
        for (name, value) in &self.set {
            match set.entry(name.clone()) {
                Entry::Vacant(place) => place.insert(value.clone().into()),
                Entry::Occupied(_) => {
                    return Err(Failure::Said(format!("--set {name}=… is there twice: leave one out")));
                }
            };
        }
        Ok(set)
    }
}

fn pair(text: &str) -> Result<(String, String), String> {
    let pair = text.split_once('=').map(|(name, value)| (name.trim(), value.trim()));
    let pair = pair.filter(|(name, value)| !name.is_empty() && !value.is_empty());
    let pair = pair.ok_or("give a name and a value, as in level_vrms=0.5")?;
    Ok((pair.0.into(), pair.1.into()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Project definition.
    #[test]
    fn a_name_is_set_once() {
        let set = |pairs: &[&str]| {
            let set = pairs.iter().map(|text| pair(text)).collect::<Result<Vec<_>, _>>();
            SetOrder { set: set.unwrap() }.by_name()
        };
        let found = set(&["low_v=11", "kind = a=b"]).unwrap();
        assert_eq!(found["low_v"], "11");
        assert_eq!(found["kind"], "a=b");
        assert!(set(&["low_v=11", "low_v=12"]).is_err());
        assert!(pair("low_v").is_err() && pair("=1").is_err() && pair("low_v=").is_err());
    }
}
