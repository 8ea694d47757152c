//! Instruments on their links: found, identified, each owned by one thread that answers one caller at a time.

pub(crate) mod actor;
pub(crate) mod connect;
pub(crate) mod failed;
pub(crate) mod links;
pub(crate) mod taken;
