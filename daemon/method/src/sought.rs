//! What is looked for: one distortion limit under one set of conditions, with the bounds never to pass.

use serde::{Deserialize, Serialize};

/// Which of the two distortion figures the rating limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LimitOn {
    /// Total harmonic distortion, noise left out.
    Thd,
    /// Total harmonic distortion and noise.
    ThdN,
}

/// What a bench can do to look at a louder level without holding it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reach {
    /// Nothing: single captures of held levels.
    Steps,
    /// Bursts of a few cycles within the record of a quieter level.
    Probe,
    /// Rising levels while the digitizer streams, broken off by [`RampWatch`](crate::RampWatch).
    Streamed,
}

/// The question a ceiling search answers. All levels are rms, source levels are at the amplifier's input.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sought {
    /// Distortion limit of the rating, in percent.
    pub limit_pct: f64,
    /// Which figure the limit applies to.
    pub limit_on: LimitOn,
    /// Rated power per channel, in watts; sets where "loud" begins.
    pub rated_w: f64,
    /// Nominal load per channel, in ohms.
    pub load_ohm: f64,
    /// Source level of the first capture, in volts rms; must be harmless even at `gain_db_max`.
    pub level_vrms_start: f64,
    /// Highest level the source can give, in volts rms.
    pub level_vrms_max: f64,
    /// Highest predicted output per channel that may ever be commanded, in watts.
    pub out_w_max: f64,
    /// Highest loss of small-signal gain that still counts as delivering, in dB (3 as a rule, 6 at 10 %).
    pub compression_db_max: f64,
    /// Width in dB of source level to which the ceiling is closed in.
    pub resolution_db: f64,
    /// Most captures (observations of any kind) the search may ask for.
    pub captures_max: usize,
    /// Highest gain the amplifier could have before it was measured, in dB.
    pub gain_db_max: f64,
    /// Expected relative scatter of one distortion reading (standard deviation, 0.03 = 3 %).
    pub distortion_scatter: f64,
    /// Expected scatter of one level reading, in dB (standard deviation).
    pub level_scatter_db: f64,
    /// How the bench can look ahead without holding a loud level.
    pub reach: Reach,
    /// Whether the bench can raise the level slowly within one record, which finds where protection acts.
    pub ramps: bool,
    /// Highest harmonic that counts: those within the band of the rating at its frequency; `None` counts all.
    pub harmonics_max: Option<usize>,
    /// Relative error of the distortion that a transfer curve shows (standard deviation), beyond its noise.
    pub curve_scatter: f64,
    /// Highest peak output voltage the supply allows, in volts, where known; lets a current limit be told.
    pub rail_vpk: Option<f64>,
}

impl Sought {
    /// The usual question: limit on THD+N, 3 dB compression, 0.05 dB resolution.
    ///
    /// Defaults: start at 10 mV rms, source up to 10 V rms, output up to twice the rating, 40 captures,
    /// gain at most 40 dB, 3 % scatter of distortion readings and 0.02 dB of levels.
    #[must_use]
    pub fn usual(rated_w: f64, load_ohm: f64, limit_pct: f64) -> Self {
        Self {
            limit_pct,
            limit_on: LimitOn::ThdN,
            rated_w,
            load_ohm,
            level_vrms_start: 0.01,
            level_vrms_max: 10.0,
            out_w_max: 2.0 * rated_w,
            compression_db_max: if limit_pct >= 10.0 { 6.0 } else { 3.0 },
            resolution_db: 0.05,
            captures_max: 40,
            gain_db_max: 40.0,
            distortion_scatter: 0.03,
            level_scatter_db: 0.02,
            reach: Reach::Steps,
            ramps: false,
            harmonics_max: None,
            curve_scatter: 0.005,
            rail_vpk: None,
        }
    }

    /// Checks that every figure is usable and that the first capture is harmless at the highest gain.
    ///
    /// # Errors
    /// [`SoughtError`] names the figure, its value and what to set instead.
    pub fn check(&self) -> Result<(), SoughtError> {
        let positive = [
            ("limit_pct", self.limit_pct),
            ("rated_w", self.rated_w),
            ("load_ohm", self.load_ohm),
            ("level_vrms_start", self.level_vrms_start),
            ("level_vrms_max", self.level_vrms_max),
            ("out_w_max", self.out_w_max),
            ("compression_db_max", self.compression_db_max),
            ("resolution_db", self.resolution_db),
            ("distortion_scatter", self.distortion_scatter),
            ("level_scatter_db", self.level_scatter_db),
            ("curve_scatter", self.curve_scatter),
        ];
        for (name, value) in positive {
            if !(value.is_finite() && value > 0.0) {
                return Err(SoughtError::NotPositive { name, value });
            }
        }
        if !self.gain_db_max.is_finite() {
            return Err(SoughtError::NotPositive { name: "gain_db_max", value: self.gain_db_max });
        }
        if self.captures_max < 4 {
            return Err(SoughtError::TooFewCaptures { captures_max: self.captures_max });
        }
        if self.level_vrms_start > self.level_vrms_max {
            return Err(SoughtError::StartAboveRange {
                level_vrms_start: self.level_vrms_start,
                level_vrms_max: self.level_vrms_max,
            });
        }
        let worst_w = self.worst_case_w(self.level_vrms_start);
        if worst_w.is_nan() || worst_w > self.out_w_max {
            return Err(SoughtError::StartTooLoud { worst_w, out_w_max: self.out_w_max });
        }
        Ok(())
    }

    /// Power in watts that `level_vrms` would give at the highest gain thinkable, into the nominal load.
    #[must_use]
    pub(crate) fn worst_case_w(&self, level_vrms: f64) -> f64 {
        let out_vrms = level_vrms * 10f64.powf(self.gain_db_max / 20.0);
        out_vrms * out_vrms / self.load_ohm
    }
}

/// Why a question can't be asked.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SoughtError {
    /// A figure is zero, negative, infinite or not a number.
    #[error(
        "ceiling search: {name} is {value}, but must be finite and above 0; correct the rating or bench file"
    )]
    NotPositive {
        /// Which figure.
        name: &'static str,
        /// Its value.
        value: f64,
    },
    /// The capture budget can't hold any search.
    #[error("ceiling search: captures_max is {captures_max}; allow at least 4, usually 40")]
    TooFewCaptures {
        /// The budget given.
        captures_max: usize,
    },
    /// The first level is outside the source's range.
    #[error(
        "ceiling search: start level {level_vrms_start} V rms is above the source's {level_vrms_max} V rms; lower it"
    )]
    StartAboveRange {
        /// First level asked for, V rms.
        level_vrms_start: f64,
        /// The source's range, V rms.
        level_vrms_max: f64,
    },
    /// At the highest thinkable gain the first capture would pass the declared maximum.
    #[error(
        "ceiling search: the start level could already give {worst_w:.3} W, above the declared {out_w_max:.3} W; lower the start level or state a lower gain_db_max"
    )]
    StartTooLoud {
        /// Output at the highest gain, W.
        worst_w: f64,
        /// Declared maximum, W.
        out_w_max: f64,
    },
}
