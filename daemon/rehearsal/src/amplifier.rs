//! The amplifier that a rehearsal is played on: one that keeps every claim of the nameplate by half a decibel, and that
//! is otherwise as plain as can be. What a nameplate does not tell is assumed, and [`ASSUMED`] says so.

use wattproof_guard::Limits;
use wattproof_runs::{Driven, Nameplate, PlateKind, Rating};
use wattproof_virtual_bench::amplifier::{
    CHANNELS_MAX, Noise, Output, OutputKind, Physics, RailSupply, Thermal, Transfer,
};
use wattproof_virtual_bench::{
    AmplifierSpec, Nameplate as SimulatedPlate, PlateKind as SimulatedKind, Rating as SimulatedRating,
    RatingChannels,
};

use crate::RehearsalError;

/// What no nameplate tells, in words.
pub const ASSUMED: &str = "what no nameplate tells: every claim kept by 0.5 dB, efficiency 81 %, a third of the permitted source level for the loudest claim, a heatsink that rises 40 °C at a third of the rated power within 20 minutes";

/// Output voltage above the claimed one: 0.5 dB.
const ABOVE: f64 = 1.06;
/// What the output stage can't swing, V.
const DROP_V: f64 = 1.0;
/// Output resistance of a power amplifier and of a line stage, ohm.
const OUTPUT_OHM: [f64; 2] = [0.03, 47.0];
/// Of the output stage and of its converter.
const EFFICIENCY: f64 = 0.85;
const CONVERTER_EFFICIENCY: f64 = 0.95;
/// Share of the source's limit that the loudest claim takes.
const SOURCE_SHARE: f64 = 1.0 / 3.0;

/// The amplifier for `outputs` outputs of a bench.
///
/// # Errors
/// [`RehearsalError::Amplifier`] where the nameplate claims what can't be simulated.
pub fn amplifier(
    plate: &Nameplate,
    limits: &Limits,
    channels: usize,
) -> Result<AmplifierSpec, RehearsalError> {
    if channels > CHANNELS_MAX {
        let what =
            format!("the bench has {channels} channels, and no more than {CHANNELS_MAX} can be rehearsed");
        return Err(RehearsalError::Amplifier(what));
    }
    let is_line = plate.kind == PlateKind::LineStage;
    let output_ohm = if is_line { OUTPUT_OHM[1] } else { OUTPUT_OHM[0] };
    let loudest_vrms = plate.rating.iter().map(channel_vrms).fold(0.0, f64::max);
    let gain = (loudest_vrms / (SOURCE_SHARE * limits.source_vrms_max)).clamp(1.0, 1000.0);
    let ratio = plate.rating.iter().map(|rating| rails_v(rating, output_ohm) / rating.supply_v);
    let rated_w = plate.rating.iter().map(|rating| total_w(rating, channels)).fold(0.0, f64::max);
    let lowest_v = plate.rating.iter().map(|rating| rating.supply_v).fold(f64::INFINITY, f64::min);
    let lost_w = rated_w / 3.0 * (1.0 / (EFFICIENCY * CONVERTER_EFFICIENCY) - 1.0);
    let spec = AmplifierSpec {
        name: "rehearsed".into(),
        invented: true,
        description: "What a rehearsal takes for the amplifier of a nameplate.".into(),
        nameplate: SimulatedPlate {
            maker: plate.maker.clone(),
            model: plate.model.clone(),
            channels,
            kind: if is_line { SimulatedKind::LineStage } else { SimulatedKind::Amplifier },
            ratings: plate.rating.iter().map(simulated).collect(),
        },
        physics: Physics {
            gain_db: 20.0 * gain.log10(),
            gain_trim_db: Vec::new(),
            supply: RailSupply {
                ratio: ratio.fold(0.01, f64::max),
                source_ohm: 0.0,
                settle_s: 0.02,
                rail_limit_v: None,
                converter_efficiency: CONVERTER_EFFICIENCY,
                idle_a: if is_line { 0.05 } else { 0.3 + 0.02 * rated_w / lowest_v },
                minimum_v: 0.4 * lowest_v,
            },
            output: Output {
                kind: OutputKind::ClassD,
                efficiency: Some(EFFICIENCY),
                drop_v: DROP_V,
                drop_trim_v: Vec::new(),
                resistance_ohm: output_ohm,
                asymmetry: 0.0,
                dead_zone_v: 0.0,
                dead_zone_depth: 0.0,
                dc_offset_v: 0.0,
                current_limit_apk: None,
            },
            transfer: Transfer::Hard,
            noise: Noise { noise_vrms: loudest_vrms * 1e-5, hum_hz: 50.0, hum_vrms: Vec::new() },
            residue: Vec::new(),
            limiter: None,
            thermal: Thermal {
                ambient_c: 25.0,
                heatsink_tau_s: 400.0,
                heatsink_c_per_w: (40.0 / lost_w.max(0.01)).clamp(0.001, 20.0),
                die_tau_s: 0.3,
                die_c_per_w: 0.05,
                foldback_c: None,
                foldback_db_per_c: 0.0,
                foldback_rail_pct_per_c: 0.0,
                trip_c: None,
                trip_hysteresis_c: 20.0,
                trip_recover_s: 1.0,
            },
        },
    };
    spec.validate().map_err(|error| {
        RehearsalError::Amplifier(format!("the nameplate claims what can't be simulated: {error}"))
    })?;
    Ok(spec)
}

/// Voltage of one channel at a claim, V rms; either side of a bridge gives half.
fn channel_vrms(rating: &Rating) -> f64 {
    let vrms = (rating.load_w() * rating.load_ohm).sqrt();
    if rating.driven == Driven::Bridged { vrms / 2.0 } else { vrms }
}

/// What the rails must give for it, V.
fn rails_v(rating: &Rating, output_ohm: f64) -> f64 {
    let load_ohm = if rating.driven == Driven::Bridged { rating.load_ohm / 2.0 } else { rating.load_ohm };
    ABOVE * 2f64.sqrt() * channel_vrms(rating) * (1.0 + output_ohm / load_ohm) + DROP_V
}

/// Power of all channels of a bench at a claim, W.
fn total_w(rating: &Rating, channels: usize) -> f64 {
    let driven = match rating.driven {
        Driven::All => channels,
        Driven::One => 1,
        Driven::Bridged => channels / 2,
    };
    rating.load_w() * driven as f64
}

fn simulated(rating: &Rating) -> SimulatedRating {
    SimulatedRating {
        watts: rating.watts,
        out_vrms: rating.out_vrms.filter(|_| rating.watts.is_none()),
        load_ohm: rating.load_ohm,
        supply_v: rating.supply_v,
        channels: match rating.driven {
            Driven::All => RatingChannels::All,
            Driven::One => RatingChannels::One,
            Driven::Bridged => RatingChannels::Bridged,
        },
        thdn_pct: rating.limit_pct,
        hz: rating.hz,
    }
}
