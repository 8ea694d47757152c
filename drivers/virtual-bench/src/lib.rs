//! Simulated instruments and amplifier physics on pseudo-terminals.
//!
//! What it is for: rehearsals and tests without a real output switched on. The physics half is pure: an
//! amplifier description, a seed and a time go in; volts and amperes at the amplifier's terminals come out.
//! No clock, no file, no socket is touched by it, and the same seed and calls give the same samples.
//!
//! The other half puts instruments around it that speak SCPI ([`instruments`], bytes and a time in, bytes
//! out) and serves them on pseudo-terminals in wall time ([`serve`]).
//!
//! Who may call it: the simulated instruments of this crate, and tests that want the known answer
//! ([`truth::truth`]) to compare a measured one with.

pub mod amplifier;
pub mod catalogue;
pub mod converter;
pub mod faults;
pub mod instruments;
pub mod load;
pub mod manner;
pub mod serve;
pub mod truth;
pub mod world;

pub use amplifier::Band;
pub use amplifier::{AmplifierSpec, Nameplate, PlateKind, Rating, RatingChannels, SpecError};
pub use converter::{Conversion, Converter, ConverterError};
pub use instruments::{Bench, BenchError, FrontEnd, FrontEndChannel, Quantity, Role, VirtualInstrument};
pub use load::{Load, LoadError, ThieleSmall};
pub use manner::{Manner, MannerError};
pub use serve::{PortInfo, ServeError, VirtualBench, VirtualBenchOptions};
pub use truth::{
    LevelTruth, RatingTruth, Truth, TruthCause, TruthError, TruthQuery, rating_truths, truth, truth_at,
};
pub use world::{
    Ailments, BridgeInputs, Drive, Input, Inputs, LoadStands, Oscillation, OutputReading, OutputState,
    RawCapture, Shape, World,
};
