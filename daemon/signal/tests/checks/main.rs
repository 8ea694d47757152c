//! Readings checked against closed forms, published definitions and tables.

#[cfg(test)]
mod accuracy;
#[cfg(test)]
mod drifting;
#[cfg(test)]
mod dropouts;
#[cfg(test)]
mod figures;
#[cfg(test)]
mod fits;
#[cfg(test)]
mod intermodulation;
#[cfg(test)]
mod noise;
#[cfg(test)]
mod power;
#[cfg(test)]
mod quasi_peak;
#[cfg(test)]
mod random;
#[cfg(test)]
mod refusals;
#[cfg(test)]
mod repeats;
#[cfg(test)]
mod response;
#[cfg(test)]
mod scatter;
#[cfg(test)]
mod support;
#[cfg(test)]
mod varying;
#[cfg(test)]
mod waveforms;
#[cfg(test)]
mod weighting;
#[cfg(test)]
mod windows;
