//! The nameplate: the amplifier or line stage under test and its ratings, each with its conditions.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use wattproof_bench::{BenchFile, Origin, toml_place};
use wattproof_method::Quantity;

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
    /// What it costs, in `currency`: for watts per price in comparisons, judged by nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub price: Option<f64>,
    /// Three letters of ISO 4217, as "EUR".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub currency: Option<String>,
    /// Whether this very unit is known to be good, so that others of its model are compared with it.
    #[serde(default, skip_serializing_if = "is_not")]
    pub golden: bool,
    /// Whether amplifier and claims are invented, as all shipped examples are.
    #[serde(default)]
    pub invented: bool,
    /// What it is.
    #[serde(default, skip_serializing_if = "PlateKind::is_amplifier")]
    pub kind: PlateKind,
    /// Number of channels.
    pub channels: u32,
    /// The claims.
    pub rating: Vec<Rating>,
}

/// What is under test.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PlateKind {
    /// A power amplifier: rated in watts, its current is measured.
    #[default]
    Amplifier,
    /// A stage before one (preamplifier, line driver, equaliser, mixer): rated in volts, its current is not measured.
    LineStage,
}

fn is_not(flag: &bool) -> bool {
    !flag
}

impl PlateKind {
    fn is_amplifier(&self) -> bool {
        *self == PlateKind::Amplifier
    }
}

/// 0 dBu, V rms: 1 mW into 600 ohm (trade practice, from memory).
const DBU_VRMS: f64 = 0.774_596_669_241_483_4;

/// One claim.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rating {
    /// Watts per channel, or per bridge; absent of a line stage.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub watts: Option<f64>,
    /// Output voltage per channel of a line stage, V rms. A nameplate may say it in dB instead; it is here all the same.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub out_vrms: Option<f64>,
    /// The same in dB re 1 V rms, as the nameplate says it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub out_dbv: Option<f64>,
    /// The same in dB re 0.7746 V rms, as the nameplate says it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub out_dbu: Option<f64>,
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

impl LimitBy {
    /// The word for it in files and tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            LimitBy::Thdn => "thdn",
            LimitBy::Thd => "thd",
        }
    }
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
        "nameplate {place}: {message}; a rating needs watts (out_vrms of a line stage), load_ohm, supply_v, driven (\"all\", \"one\" or \"bridged\") and limit_pct"
    )]
    Parse {
        /// file:line:col.
        place: String,
        /// What is wrong.
        message: String,
    },
    /// What it is said to cost makes no sense.
    #[error("nameplate {place}: {what}")]
    Price {
        /// file:line.
        place: String,
        /// What is wrong, and what to write.
        what: String,
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
        let mut plate: Nameplate = toml::from_str(text).map_err(|error| NameplateError::Parse {
            place: toml_place(path, text, error.span()),
            message: error.message().to_string(),
        })?;
        crate::price::check(&plate, &Origin::new(path, text))?;
        for (index, rating) in plate.rating.iter_mut().enumerate() {
            let sense = |what| NameplateError::Sense { path: path.into(), number: index + 1, what };
            rating.take_volts().and_then(|()| rating.check(plate.kind)).map_err(sense)?;
            if rating.driven == Driven::Bridged && plate.kind == PlateKind::LineStage {
                let what = "driven = \"bridged\" is of power amplifiers: the two live outputs of a balanced line stage are one output, measured by a differential input; say driven = \"all\" or \"one\"";
                return Err(sense(what.into()));
            }
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

impl Nameplate {
    /// Whether a bench measures what the ratings are in.
    ///
    /// # Errors
    /// What is missing or too much, and what to do.
    pub fn fits(&self, bench: &BenchFile) -> Result<(), String> {
        match (self.kind, bench.measures_current()) {
            (PlateKind::Amplifier, false) if !self.rating.is_empty() => Err(
                "the nameplate rates watts, and the bench file has no current input: add [[digitizer.channel]] with measures = \"amps\" for every channel, or say kind = \"line_stage\" and out_vrms in the nameplate if it is a stage before an amplifier".into(),
            ),
            (PlateKind::LineStage, true) => Err(
                "the nameplate is of a line stage, whose current is too small for a current input: its noise would be taken for a load; remove every [[digitizer.channel]] with measures = \"amps\" from a bench file for it".into(),
            ),
            _ => Ok(()),
        }
    }
}

impl Rating {
    /// What the load takes at the rating, W: what is rated, or V²/R.
    #[must_use]
    pub fn load_w(&self) -> f64 {
        let by_volts = self.out_vrms.map(|out_vrms| out_vrms * out_vrms / self.load_ohm);
        self.watts.or(by_volts).unwrap_or(f64::NAN)
    }

    /// What it is rated in.
    #[must_use]
    pub fn quantity(&self) -> Quantity {
        if self.watts.is_none() && self.out_vrms.is_some() { Quantity::Volts } else { Quantity::Watts }
    }

    /// The claimed figure with its unit, as "50 W" or "5 V".
    #[must_use]
    pub fn claimed(&self) -> String {
        match (self.watts, self.out_vrms) {
            (Some(watts), _) => format!("{watts} W"),
            (None, Some(out_vrms)) => format!("{out_vrms} V"),
            (None, None) => "nothing".into(),
        }
    }

    /// Puts a voltage in dB into volts.
    fn take_volts(&mut self) -> Result<(), String> {
        let by_dbv = self.out_dbv.map(|dbv| 10f64.powf(dbv / 20.0));
        let by_dbu = self.out_dbu.map(|dbu| DBU_VRMS * 10f64.powf(dbu / 20.0));
        let vrms = by_dbv.or(by_dbu);
        let given = [self.out_vrms, by_dbv, by_dbu].into_iter().flatten().count();
        // A run's own record says volts and dB, which then are the same.
        let same = vrms.zip(self.out_vrms).is_some_and(|(a, b)| (a / b - 1.0).abs() < 1e-9);
        if given > 1 && !(given == 2 && same) {
            return Err(
                "its output voltage is said more than once: keep one of out_vrms, out_dbv, out_dbu".into()
            );
        }
        self.out_vrms = self.out_vrms.or(vrms);
        Ok(())
    }

    fn check(&self, kind: PlateKind) -> Result<(), String> {
        let (load_ohm_max, claim) = match (kind, self.watts, self.out_vrms) {
            (PlateKind::Amplifier, Some(watts), None) => (1e4, ("watts", watts, 1e5)),
            (PlateKind::LineStage, None, Some(out_vrms)) => (1e7, ("out_vrms", out_vrms, 1e3)),
            (PlateKind::Amplifier, ..) => {
                return Err("an amplifier is rated in watts alone: give watts, or kind = \"line_stage\" above the ratings if it is a stage before an amplifier, rated by out_vrms".into());
            }
            (PlateKind::LineStage, ..) => {
                return Err("a line stage is rated by its output voltage alone: give one of out_vrms, out_dbv, out_dbu, and no watts".into());
            }
        };
        for (name, value, most) in [
            claim,
            ("load_ohm", self.load_ohm, load_ohm_max),
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

    const LINE: &str = "maker = \"A\"\nmodel = \"B\"\nchannels = 2\nkind = \"line_stage\"\n[[rating]]\nout_dbu = 18.0\nload_ohm = 10000.0\nsupply_v = 14.4\ndriven = \"all\"\nlimit_pct = 0.1\n";

    /// 0 dBu are 0.7746 V rms, 0 dBV are 1 V rms (trade practice): +18 dBu are 6.153 V, as tables of line levels have it
    /// (from memory), and 15.782 dBV.
    #[test]
    fn a_line_stage_is_rated_in_volts_or_db() {
        let vrms = |text: &str| Nameplate::parse(Path::new("a"), text).unwrap().rating[0].out_vrms.unwrap();
        assert!((vrms(LINE) - 6.153).abs() < 5e-4);
        assert!((vrms(&LINE.replace("out_dbu = 18.0", "out_dbv = 15.782")) - 6.153).abs() < 5e-4);
        assert_eq!(vrms(&LINE.replace("out_dbu = 18.0", "out_vrms = 5.0")), 5.0);
        let plate = Nameplate::parse(Path::new("a"), LINE).unwrap();
        assert!((plate.rating[0].load_w() - 6.153f64.powi(2) / 10_000.0).abs() < 1e-6);
        // As a run records it.
        let again: Nameplate = serde_json::from_str(&serde_json::to_string(&plate).unwrap()).unwrap();
        assert_eq!(again, plate);
        assert_eq!(Nameplate::parse(Path::new("a"), &toml::to_string(&plate).unwrap()).unwrap(), plate);
    }

    #[test]
    fn watts_and_volts_are_not_mixed() {
        let refused = |text: &str| Nameplate::parse(Path::new("a"), text).unwrap_err().to_string();
        assert!(refused(&LINE.replace("kind = \"line_stage\"\n", "")).contains("rated in watts"));
        assert!(refused(&LINE.replace("out_dbu = 18.0", "watts = 50.0")).contains("output voltage alone"));
        assert!(refused(&LINE.replace("out_dbu", "out_vrms = 9.0\nout_dbu")).contains("more than once"));
        assert!(refused(&LINE.replace("out_dbu = 18.0", "out_vrms = 0.0")).contains("out_vrms = 0"));
        assert!(refused(&GOOD.replace("watts = 50.0\n", "")).contains("watts"));
        assert!(refused(&LINE.replace("\"all\"", "\"bridged\"")).contains("of power amplifiers"));
    }

    /// Files of before line stages stay as they are, to the byte.
    #[test]
    fn an_amplifier_is_written_as_ever() {
        let plate = Nameplate::parse(Path::new("a"), GOOD).unwrap();
        let text = toml::to_string(&plate).unwrap();
        assert!(!text.contains("kind") && !text.contains("out_"), "{text}");
    }
}
