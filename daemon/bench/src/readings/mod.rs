//! What the instruments tell: records as volts and amperes at the outputs with their readings, supply current, heatsink and
//! further temperatures. Each is judged by the guard where it is read. Operation and safety both look through here.

pub(crate) mod acquire;
pub(crate) mod captured;
pub(crate) mod measure;
pub(crate) mod sight;
pub(crate) mod sums;
pub(crate) mod temperatures;
