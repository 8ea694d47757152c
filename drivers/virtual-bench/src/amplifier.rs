//! One simulated amplifier: its description, its static transfer and what it draws from its rails.
//!
//! In: a TOML text. Out: a validated [`AmplifierSpec`], and the operating-point arithmetic the world and the
//! truth share. Time is not known here.

mod draw;
mod spec;
mod stage;
mod validate;

pub use spec::{
    AmplifierSpec, Band, CHANNELS_MAX, Limiter, Nameplate, Noise, Output, OutputKind, Physics, PlateKind,
    RailSupply, Rating, RatingChannels, ResidueTone, SpecError, Thermal, Transfer,
};

pub(crate) use draw::{Cycle, CycleGrid, Demand, demand};
pub(crate) use stage::{Limits, Stage};
