//! Operating the bench under the guard: levels, load, supply, what the source plays, captures and their readings.

pub(crate) mod arming;
pub(crate) mod drives;
pub(crate) mod operate;
pub(crate) mod record;
pub(crate) mod rest;
pub(crate) mod sending;
pub(crate) mod source;
