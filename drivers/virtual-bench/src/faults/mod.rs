//! Faults on order: what a fault file asks to go wrong with the virtual bench, when, and for how long.
//!
//! What it is for: rehearsing what an unattended bench meets some day, on real ports. Comes in: a fault file
//! ([`read`], [`parse`]) and then every message and the time. Goes out: which faults strike it ([`Armed`]), and
//! messages and answers spoiled accordingly ([`spoil`], pure). Faults of the amplifier are carried out by the
//! physics ([`crate::world::Ailments`]).
//!
//! Who may call it: the pseudo-terminal server, the command line that reads the file, and tests that inject the
//! same faults elsewhere.

mod ail;
mod armed;
mod at_port;
mod fault;
mod file;
pub mod spoil;

pub(crate) use ail::ail;
pub use armed::Armed;
pub(crate) use at_port::{Event, PortFaults};
pub use fault::{Fault, What};
pub use file::{FaultFileError, parse, read};
