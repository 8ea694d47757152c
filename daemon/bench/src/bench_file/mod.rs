//! What a bench file holds, and whether it makes sense. In comes its text, out go places: what stands where, on which
//! link, within which limits. The rest of the room reads it; nothing here talks to an instrument.

pub(crate) mod bridge_place;
pub(crate) mod calibration;
pub(crate) mod channels;
pub(crate) mod file;
pub(crate) mod load_place;
pub(crate) mod place;
pub(crate) mod temperature_place;
pub(crate) mod unfilled;
