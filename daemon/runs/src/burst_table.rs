//! `bursts.csv`: what bursts gave beside what was kept up, never one for the other.

use serde::Serialize;
use wattproof_method::BurstAnswer;

/// The procedure, as written into every row.
const PROCEDURE: &str = "burst: first 20 ms of a burst after 480 ms or more at -20 dB (20 ms in 500 ms, EIA-RS-490 and IHF dynamic headroom, from memory); sustained: settled level of the same burst";

/// A row of `bursts.csv`: one amplifier channel at one level.
#[derive(Debug, Default, Serialize)]
pub struct BurstRow {
    rating: Option<usize>,
    channel: u32,
    level_vrms: f64,
    hz: f64,
    load_ohm: f64,
    supply_v_set: f64,
    burst_w: f64,
    burst_expanded_u_w: f64,
    onset_w: f64,
    onset_expanded_u_w: f64,
    sustained_w: Option<f64>,
    sustained_expanded_u_w: Option<f64>,
    headroom_db: Option<f64>,
    headroom_expanded_u_db: Option<f64>,
    attack_s: Option<f64>,
    attack_expanded_u_s: Option<f64>,
    limiter_ratio: Option<f64>,
    limiter_ratio_min: Option<f64>,
    limiter_threshold_vrms: Option<f64>,
    limiter_held_db: Option<f64>,
    burst_length_s: f64,
    procedure: &'static str,
}

/// The rows of one procedure, a channel each.
pub fn burst_rows(
    answers: &[BurstAnswer],
    rating: Option<usize>,
    hz: f64,
    load_ohm: f64,
    supply_v_set: f64,
) -> Vec<BurstRow> {
    let row = |answer: &BurstAnswer| BurstRow {
        rating,
        channel: answer.channel,
        level_vrms: answer.level_vrms,
        hz,
        load_ohm,
        supply_v_set,
        burst_w: answer.burst.burst_w,
        burst_expanded_u_w: answer.burst.expanded_u_w,
        onset_w: answer.onset.burst_w,
        onset_expanded_u_w: answer.onset.expanded_u_w,
        sustained_w: answer.sustained.map(|sustained| sustained.sustained_w),
        sustained_expanded_u_w: answer.sustained.map(|sustained| sustained.expanded_u_w),
        headroom_db: answer.headroom_db,
        headroom_expanded_u_db: answer.expanded_u_headroom_db,
        attack_s: answer.attack_s,
        attack_expanded_u_s: answer.expanded_u_attack_s,
        limiter_ratio: answer.limiter.and_then(|limiter| limiter.ratio),
        limiter_ratio_min: answer.limiter.map(|limiter| limiter.ratio_min),
        limiter_threshold_vrms: answer.limiter.map(|limiter| limiter.threshold_vrms),
        limiter_held_db: answer.limiter.map(|limiter| limiter.held_db),
        burst_length_s: answer.on_s,
        procedure: PROCEDURE,
    };
    answers.iter().map(row).collect()
}
