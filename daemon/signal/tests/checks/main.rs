//! Readings checked against closed forms, published definitions and tables.

mod accuracy;
mod fits;
mod noise;
mod power;
mod random;
mod refusals;
mod support;
mod varying;
mod waveforms;
mod windows;
