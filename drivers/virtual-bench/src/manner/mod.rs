//! Manners: simulated instruments that behave otherwise than SCPI has it.
//!
//! What it is for: a controller that claims to bear an instrument's quirks needs one that really has them. A manner
//! is data (`drivers/virtual-bench/manners/`): the instrument's own words for what it does, the form of its answers
//! and blocks, how its line works. It stands in front of a simulated instrument, which stays what it is: bytes and a
//! time in, bytes out. A message that such a device would lose is lost here, one that it would refuse is refused.
//!
//! Who may call it: the served bench and tests in virtual time. It shares no code with the controller's dialects.

mod file;
mod line;
mod record;
mod rule;
mod speak;

pub use file::{Manner, MannerError, named, names, read};
pub(crate) use speak::Mannered;
