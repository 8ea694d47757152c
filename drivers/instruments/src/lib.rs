//! Typed instrument roles spoken through dialect files.
//!
//! What the room is for: turning "set output 1 to 2.5 V rms" into the messages one make of instrument
//! understands, and its answers into checked numbers. It knows nothing of limits, scripts or results.
//!
//! Comes in: a link, a [`Dialect`] (data) and a name. Goes out: [`Source`], [`Load`], [`Supply`],
//! [`Digitizer`] and [`Thermometer`], whose methods block and answer a value or an [`InstrumentError`] that says
//! which instrument, on which port, to which message, and what to do.
//!
//! Who may call it: the bench actors, which stand behind the guard, and whoever looks for instruments on
//! ports. Nothing here decides whether an output may be switched on.

mod answer;
mod connect;
mod dialect;
mod digitizer;
mod error;
mod form;
mod framer;
mod instrument;
mod lend;
mod load;
mod operation;
mod operations;
mod probe;
mod report;
mod role;
mod samples;
mod session;
mod settings;
mod source;
mod supply;
mod talk;
mod template;
mod thermometer;
mod who;
mod wire;

pub use answer::{Answer, Identity};
pub use connect::{Connected, connect, connect_by, connect_over};
pub use dialect::{Dialect, DialectError, SHIPPED, TEMPLATE, shipped, shipped_all};
pub use digitizer::{Acquisition, ChannelRange, Digitizer, Prepared, Record};
pub use error::{Fault, InstrumentError, QueuedError};
pub use instrument::Instrument;
pub use load::Load;
pub use operations::{Effect, OperationSpec, operations};
pub use probe::{Asking, Heard, Introduction, Proposal, Sureness, ask_identity};
pub use report::DialectReport;
pub use role::Role;
pub use samples::{ByteOrder, SampleFormat};
pub use session::{MaySend, Session};
pub use settings::{Decimal, Echo, ErrorCheck, IdentityForm, Resync, SessionSettings, Terminator};
pub use source::Source;
pub use supply::Supply;
pub use talk::{Reply, Said, Talk, shown};
pub use thermometer::Thermometer;
pub use who::identity_fits;
