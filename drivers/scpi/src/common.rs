//! The commands every instrument has: IEEE 488.2's mandatory common commands, and SCPI-1999's SYSTem:ERRor,
//! SYSTem:VERSion and STATus.

use crate::call::Call;
use crate::error::ScpiError;
use crate::status::{Register, Status};

/// A command that the interpreter executes itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Builtin {
    Cls,
    Ese,
    EseQuery,
    EsrQuery,
    IdnQuery,
    Opc,
    OpcQuery,
    Rst,
    Sre,
    SreQuery,
    StbQuery,
    TstQuery,
    Wai,
    ErrorNext,
    ErrorCount,
    Version,
    Preset,
    Event(Which),
    Condition(Which),
    Enable(Which),
    EnableQuery(Which),
    Filter(Which, Edge),
    FilterQuery(Which, Edge),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Which {
    Operation,
    Questionable,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Edge {
    Positive,
    Negative,
}

use Builtin as B;
use Edge::{Negative, Positive};
use Which::{Operation, Questionable};

pub(crate) const BUILTINS: &[(&str, Builtin)] = &[
    ("*CLS", B::Cls),
    ("*ESE", B::Ese),
    ("*ESE?", B::EseQuery),
    ("*ESR?", B::EsrQuery),
    ("*IDN?", B::IdnQuery),
    ("*OPC", B::Opc),
    ("*OPC?", B::OpcQuery),
    ("*RST", B::Rst),
    ("*SRE", B::Sre),
    ("*SRE?", B::SreQuery),
    ("*STB?", B::StbQuery),
    ("*TST?", B::TstQuery),
    ("*WAI", B::Wai),
    ("SYSTem:ERRor[:NEXT]?", B::ErrorNext),
    ("SYSTem:ERRor:COUNt?", B::ErrorCount),
    ("SYSTem:VERSion?", B::Version),
    ("STATus:PRESet", B::Preset),
    ("STATus:OPERation[:EVENt]?", B::Event(Operation)),
    ("STATus:OPERation:CONDition?", B::Condition(Operation)),
    ("STATus:OPERation:ENABle", B::Enable(Operation)),
    ("STATus:OPERation:ENABle?", B::EnableQuery(Operation)),
    ("STATus:OPERation:PTRansition", B::Filter(Operation, Positive)),
    ("STATus:OPERation:PTRansition?", B::FilterQuery(Operation, Positive)),
    ("STATus:OPERation:NTRansition", B::Filter(Operation, Negative)),
    ("STATus:OPERation:NTRansition?", B::FilterQuery(Operation, Negative)),
    ("STATus:QUEStionable[:EVENt]?", B::Event(Questionable)),
    ("STATus:QUEStionable:CONDition?", B::Condition(Questionable)),
    ("STATus:QUEStionable:ENABle", B::Enable(Questionable)),
    ("STATus:QUEStionable:ENABle?", B::EnableQuery(Questionable)),
    ("STATus:QUEStionable:PTRansition", B::Filter(Questionable, Positive)),
    ("STATus:QUEStionable:PTRansition?", B::FilterQuery(Questionable, Positive)),
    ("STATus:QUEStionable:NTRansition", B::Filter(Questionable, Negative)),
    ("STATus:QUEStionable:NTRansition?", B::FilterQuery(Questionable, Negative)),
];

impl Builtin {
    /// How many parameters it takes.
    pub(crate) fn params(self) -> usize {
        usize::from(matches!(self, B::Ese | B::Sre | B::Enable(_) | B::Filter(..)))
    }

    /// Executes those that concern the status structure alone. The interpreter handles the others, for which
    /// this does nothing.
    pub(crate) fn on_status(self, call: &mut Call<'_>) -> Result<(), ScpiError> {
        match self {
            B::Ese => {
                let mask = byte(call)?;
                call.status.set_event_enable(mask);
            }
            B::EseQuery => call.reply.nr1(call.status.event_enable().into()),
            B::EsrQuery => call.reply.nr1(call.status.take_events().into()),
            B::Sre => {
                let mask = byte(call)?;
                call.status.set_service_enable(mask);
            }
            B::SreQuery => call.reply.nr1(call.status.service_enable().into()),
            B::StbQuery => {
                let byte = call.status.byte(call.reply.waiting());
                call.reply.nr1(byte.into());
            }
            B::ErrorNext => {
                let entry = call.status.queue.pop().unwrap_or_else(|| ScpiError::new(0));
                call.reply.raw(&entry.to_wire());
            }
            B::ErrorCount => call.reply.nr1(i64::try_from(call.status.queue.len()).unwrap_or(i64::MAX)),
            B::Version => call.reply.raw("1999.0"),
            B::Preset => call.status.preset(),
            B::Event(which) => {
                let event = register(call.status, which).take_event();
                call.reply.nr1(event.into());
            }
            B::Condition(which) => {
                let condition = register(call.status, which).condition();
                call.reply.nr1(condition.into());
            }
            B::Enable(which) => {
                let mask = word(call)?;
                register(call.status, which).set_enable(mask);
            }
            B::EnableQuery(which) => {
                let mask = register(call.status, which).enable();
                call.reply.nr1(mask.into());
            }
            B::Filter(which, edge) => {
                let mask = word(call)?;
                let register = register(call.status, which);
                let (positive, negative) = register.filters();
                match edge {
                    Positive => register.set_filters(mask, negative),
                    Negative => register.set_filters(positive, mask),
                }
            }
            B::FilterQuery(which, edge) => {
                let (positive, negative) = register(call.status, which).filters();
                call.reply.nr1(if edge == Positive { positive } else { negative }.into());
            }
            B::Cls | B::IdnQuery | B::Opc | B::OpcQuery | B::Rst | B::TstQuery | B::Wai => {}
        }
        Ok(())
    }
}

fn register(status: &mut Status, which: Which) -> &mut Register {
    match which {
        Operation => &mut status.operation,
        Questionable => &mut status.questionable,
    }
}

fn byte(call: &Call<'_>) -> Result<u8, ScpiError> {
    let mask = call.param(0)?.integer(0..=255)?;
    u8::try_from(mask).map_err(|_| ScpiError::new(-222))
}

fn word(call: &Call<'_>) -> Result<u16, ScpiError> {
    let mask = call.param(0)?.integer(0..=65535)?;
    u16::try_from(mask).map_err(|_| ScpiError::new(-222))
}
