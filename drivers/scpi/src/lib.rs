//! The wire language of IEEE 488.2 and SCPI-1999, both ends, without I/O.
//!
//! What comes in: bytes, in any split. What goes out: messages, typed parameters, status, reply bytes. There is
//! no clock, socket or thread here, and nothing an arbitrary input can do makes it panic, loop or hold more
//! memory than its limits say. Who may call it: everything that speaks to an instrument or plays one.
//!
//! | end | files |
//! | --- | --- |
//! | both | [`mnemonic`], [`number`], [`mod@unit`], [`block`], [`channel`], [`samples`], [`standard`], [`error`] |
//! | instrument | [`stream`] → [`message`] → [`param`], [`tree`] → [`call`] → [`response`]; [`status`]; all together [`device`] |
//! | controller | [`build`] → wire → [`reader`] |
//!
//! Section numbers of the standards in comments are from memory.

mod ascii;
pub mod block;
pub mod build;
pub mod call;
pub mod channel;
mod common;
pub mod device;
pub mod error;
mod framing;
mod lex;
pub mod message;
pub mod mnemonic;
pub mod number;
pub mod param;
pub mod reader;
pub mod response;
pub mod samples;
pub mod standard;
pub mod status;
pub mod stream;
pub mod tree;
pub mod unit;

pub use build::{BuildError, MessageBuilder};
pub use call::{Call, Command, Handler};
pub use device::{Instrument, Interpreter, Limits};
pub use error::{Fault, ParseError, ScpiError};
pub use param::{Numeric, Param};
pub use reader::{Element, ReaderError, Response, ResponseReader};
pub use response::Reply;
pub use samples::{ByteOrder, SampleError, SampleFormat};
pub use status::Status;
