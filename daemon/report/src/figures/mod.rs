//! Figures as SVG 1.1, alone for articles or inside a report. In come a run's records, out goes one `<svg>` with its own
//! style: light and dark as the reader's screen is, light in print; title and description for screen readers; every line
//! told apart by dash and mark as well as by colour. Called by the rooms beside it; it measures nothing and writes no file.
//! Axes, lines and marks are drawn by the library kuva; only `panel`, `marks`, `legend` and `sheet` know it well.

mod axis;
mod bars;
mod distortion;
mod legend;
mod marks;
mod panel;
mod ratios;
mod sheet;
mod spectrum;
mod style;
mod supply;
mod sweep;
mod thin;
mod waveform;
mod xml;

pub(crate) use bars::{Bar, Bars, draw as draw_bars};
pub use distortion::distortion;
pub(crate) use distortion::{Curve, claim_words, curves_of, draw as draw_curves, subtitle};
pub(crate) use sheet::Setting;
pub(crate) use spectrum::draw as draw_spectrum;
pub use spectrum::spectrum;
pub(crate) use style::style;
pub(crate) use supply::draw as draw_supply;
pub use supply::supply;
pub(crate) use sweep::{Over, SweepLine, Swept, draw as draw_sweeps};
pub(crate) use waveform::draw as draw_waveform;
pub use waveform::waveform;
pub use xml::xml_text;
