//! Capture to reading: what one record of an amplifier's output says, in numbers.
//!
//! - **In:** a [`Capture`] (samples already scaled to volts and amperes at the amplifier's output) and
//!   the [`Settings`] of the measurement (commanded frequency, band, mains frequency).
//! - **Out:** a [`Reading`]: level, power, load, harmonics, distortion, noise, switching residue, shape and
//!   envelope, each `None` where it could not be told, with [`Flag`]s that say why.
//! - **Who may call it:** any room. It does no I/O, reads no clock, starts no thread, never panics and
//!   never fails: a capture that can't be trusted is refused by flags.
//!
//! How: a Hann-windowed transform finds the tone, a four-parameter sine fit (IEEE Std 1057) refines it, one
//! weighted least-squares fit finds dc and every harmonic below the Nyquist frequency together, and what
//! that fit leaves over is noise, hum and residue. The weights of the fit are the square of the residue's
//! window, so harmonics and residue share out the record's energy exactly. Where the record holds many cycles, the
//! fit is done in the lines of that one transform (`lobes`); where it holds few and every harmonic leans on every
//! other, over all samples (`harmonics`).

mod analysis;
mod blocks;
pub mod burst;
pub mod capture;
pub mod clip;
mod current;
mod drift;
mod dropout;
pub mod envelope;
pub mod fit;
pub mod flags;
mod gridding;
pub mod harmonics;
pub mod intermodulation;
pub mod levels;
mod lobes;
mod noise;
pub mod power;
pub mod quasi_peak;
pub mod read;
mod reader;
pub mod reading;
pub mod residue;
pub mod response;
mod rest;
mod scatter;
mod search;
mod series;
pub mod settings;
pub mod shape;
pub mod spectrum;
mod survey;
mod two_tone_fit;
mod waveform;
pub mod weighting;

pub use burst::{Burst, NoBurst, find_burst, find_rise};
pub use capture::{Capture, touches};
pub use clip::{Clip, NoClip, clip};
pub use envelope::Envelope;
pub use flags::Flag;
pub use intermodulation::{TwoToneKind, TwoToneReading, TwoToneSettings, read_two_tone};
pub use noise::{NoiseReading, read_noise};
pub use read::read;
pub use reading::{Reading, Uncertainty};
pub use response::{Response, respond};
pub use rest::{RestReading, RestUncertainty, read_rest};
pub use settings::Settings;
pub use weighting::Weighting;
