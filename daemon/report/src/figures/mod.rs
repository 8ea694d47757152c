//! Figures as SVG 1.1, alone for articles or inside a report. In come a run's records, out goes one `<svg>` with its own
//! style: light and dark as the reader's screen is, light in print; title and description for screen readers; every line
//! told apart by dash and mark as well as by colour. Called by the rooms beside it; it measures nothing and writes no file.

mod axis;
mod distortion;
mod legend;
mod lines;
mod panel;
mod ratios;
mod spectrum;
mod style;
mod supply;
mod svg;
mod thin;
mod waveform;

pub use distortion::distortion;
pub(crate) use distortion::{Curve, claim_words, curves_of, draw as draw_curves, subtitle};
pub(crate) use spectrum::draw as draw_spectrum;
pub use spectrum::spectrum;
pub(crate) use style::STYLE;
pub(crate) use supply::draw as draw_supply;
pub use supply::supply;
pub(crate) use svg::Setting;
pub use svg::xml_text;
pub(crate) use waveform::draw as draw_waveform;
pub use waveform::waveform;
