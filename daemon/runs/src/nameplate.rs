//! The nameplate: the amplifier under test and its ratings, each with its conditions.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use wattproof_bench::toml_place;

/// An amplifier and what is claimed of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Nameplate {
    /// Maker.
    pub maker: String,
    /// Model.
    pub model: String,
    /// Serial number of this unit.
    #[serde(default)]
    pub serial: Option<String>,
    /// Whether amplifier and claims are invented, as all shipped examples are.
    #[serde(default)]
    pub invented: bool,
    /// Number of channels.
    pub channels: u32,
    /// The claims.
    pub rating: Vec<Rating>,
}

/// One claim.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rating {
    /// Watts per channel, or per bridge.
    pub watts: f64,
    /// Load per channel, or between the live outputs of a bridge, ohm.
    pub load_ohm: f64,
    /// Supply voltage, V.
    pub supply_v: f64,
    /// Channels driven together.
    pub driven: Driven,
    /// Distortion limit of the claim, %.
    pub limit_pct: f64,
    /// What the limit applies to.
    #[serde(default)]
    pub limit_by: LimitBy,
    /// Test frequency, Hz.
    #[serde(default = "test_hz")]
    pub hz: f64,
}

fn test_hz() -> f64 {
    1000.0
}

/// Channels driven together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Driven {
    /// All of them.
    All,
    /// The first only.
    One,
    /// All of them, two and two bridged.
    Bridged,
}

impl Driven {
    /// The word for it in files and tables.
    pub fn word(self) -> &'static str {
        match self {
            Driven::All => "all",
            Driven::One => "one",
            Driven::Bridged => "bridged",
        }
    }

    /// The way that has this word.
    pub fn of_word(word: &str) -> Option<Self> {
        [Driven::All, Driven::One, Driven::Bridged].into_iter().find(|driven| driven.word() == word)
    }
}

/// What a distortion limit applies to.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LimitBy {
    /// THD+N.
    #[default]
    Thdn,
    /// THD.
    Thd,
}

/// A nameplate that can't be used.
#[derive(Debug, thiserror::Error)]
pub enum NameplateError {
    /// It can't be read.
    #[error("nameplate {path}: {source}; give the path of a nameplate file with --nameplate")]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// It isn't a nameplate.
    #[error(
        "nameplate {place}: {message}; a rating needs watts, load_ohm, supply_v, driven (\"all\", \"one\" or \"bridged\") and limit_pct"
    )]
    Parse {
        /// file:line:col.
        place: String,
        /// What is wrong.
        message: String,
    },
    /// A value makes no sense.
    #[error("nameplate {path}: rating {number}: {what}; mend the file and try again")]
    Sense {
        /// The file.
        path: PathBuf,
        /// Which rating, from 1.
        number: usize,
        /// What is wrong.
        what: String,
    },
}

impl Nameplate {
    /// Reads and checks a nameplate file.
    ///
    /// # Errors
    /// [`NameplateError`], naming file, line and column where it can.
    pub fn read(path: &Path) -> Result<Self, NameplateError> {
        let text = wattproof_texts::read_text(path)
            .map_err(|source| NameplateError::Read { path: path.into(), source })?;
        Self::parse(path, &text)
    }

    /// Parses and checks the text of a nameplate; `path` is for messages only.
    ///
    /// # Errors
    /// As [`Nameplate::read`].
    pub fn parse(path: &Path, text: &str) -> Result<Self, NameplateError> {
        let plate: Nameplate = toml::from_str(text).map_err(|error| NameplateError::Parse {
            place: toml_place(path, text, error.span()),
            message: error.message().to_string(),
        })?;
        for (index, rating) in plate.rating.iter().enumerate() {
            let sense = |what| NameplateError::Sense { path: path.into(), number: index + 1, what };
            rating.check().map_err(sense)?;
            if rating.driven == Driven::Bridged && !plate.channels.is_multiple_of(2) {
                let what = format!(
                    "driven = \"bridged\" needs channels in pairs, and channels = {}",
                    plate.channels
                );
                return Err(sense(what));
            }
        }
        if plate.rating.is_empty() || !(1..=16).contains(&plate.channels) {
            let what = "it needs 1 to 16 channels and at least one [[rating]]".to_string();
            return Err(NameplateError::Sense { path: path.into(), number: 0, what });
        }
        Ok(plate)
    }
}

impl Rating {
    fn check(&self) -> Result<(), String> {
        for (name, value, most) in [
            ("watts", self.watts, 1e5),
            ("load_ohm", self.load_ohm, 1e4),
            ("supply_v", self.supply_v, 1e3),
            ("limit_pct", self.limit_pct, 50.0),
            ("hz", self.hz, 1e5),
        ] {
            if !(value > 0.0 && value <= most) {
                return Err(format!("{name} = {value} must be greater than 0 and at most {most}"));
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = "maker = \"A\"\nmodel = \"B\"\nchannels = 2\n[[rating]]\nwatts = 50.0\nload_ohm = 4.0\nsupply_v = 14.4\ndriven = \"all\"\nlimit_pct = 1.0\n";

    #[test]
    fn a_rating_without_load_names_file_line_and_remedy() {
        let text = GOOD.replace("load_ohm = 4.0\n", "");
        let message = Nameplate::parse(Path::new("amp.toml"), &text).unwrap_err().to_string();
        assert!(message.contains("amp.toml:4:1") && message.contains("load_ohm"), "{message}");
    }

    #[test]
    fn bridges_need_pairs_of_channels() {
        let text = GOOD.replace("\"all\"", "\"bridged\"");
        assert_eq!(Nameplate::parse(Path::new("a"), &text).unwrap().rating[0].driven, Driven::Bridged);
        let odd = text.replace("channels = 2", "channels = 3");
        let message = Nameplate::parse(Path::new("a"), &odd).unwrap_err().to_string();
        assert!(message.contains("rating 1") && message.contains("pairs"), "{message}");
    }

    #[test]
    fn senseless_values_are_refused() {
        assert!(Nameplate::parse(Path::new("a"), GOOD).is_ok());
        for (from, to) in
            [("50.0", "-1.0"), ("4.0", "0.0"), ("14.4", "nan"), ("limit_pct = 1.0", "limit_pct = inf")]
        {
            let message =
                Nameplate::parse(Path::new("a"), &GOOD.replacen(from, to, 1)).unwrap_err().to_string();
            assert!(message.contains("rating 1"), "{message}");
        }
    }
}
