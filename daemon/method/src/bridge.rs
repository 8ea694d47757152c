use crate::model::{Calibrated, Within};

/// The second of both dividers between which a bridge's voltage is measured. With the shares p and n of the positive and
/// the negative side, p + n = 1, v = (1 + p·g_P + n·g_N)(v_ind − o_P + o_N): both gains act by their shares, both
/// offsets whole.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct NegativeSide {
    /// Share of the output voltage that it carries: a half where both sides are alike.
    pub share: f64,
    /// Gain of its divider and amplifier, relative. Where it was calibrated, what it may have drifted.
    pub gain: Within,
    /// What its calibration leaves open.
    pub calibration: Calibrated,
    /// Offset of its channel, V.
    pub offset: Within,
}
