//! The status structure: error queue, standard event register, status byte, OPERation and QUEStionable
//! (IEEE 488.2 11; SCPI-1999 volume 1, 9 and volume 2, 20–21).

use std::collections::VecDeque;

use crate::error::ScpiError;
use crate::standard::event_bit;

/// Operation complete, in the standard event status register.
pub const ESR_OPC: u8 = 1;
/// Power on, in the standard event status register.
pub const ESR_PON: u8 = 128;
/// Error or event queue not empty, in the status byte.
pub const STB_QUEUE: u8 = 4;
/// QUEStionable summary, in the status byte.
pub const STB_QUESTIONABLE: u8 = 8;
/// Message available, in the status byte.
pub const STB_MAV: u8 = 16;
/// Standard event summary, in the status byte.
pub const STB_ESB: u8 = 32;
/// Master summary, in the status byte.
pub const STB_MSS: u8 = 64;
/// OPERation summary, in the status byte.
pub const STB_OPERATION: u8 = 128;

/// The error and event queue: first in, first out.
#[derive(Debug, Clone)]
pub struct ErrorQueue {
    entries: VecDeque<ScpiError>,
    depth: usize,
}

impl ErrorQueue {
    /// A queue of at most `depth` entries, at least one.
    #[must_use]
    pub fn new(depth: usize) -> Self {
        Self { entries: VecDeque::new(), depth: depth.max(1) }
    }

    /// Adds an entry. When the queue is full, its newest entry becomes −350 and the new one is lost.
    pub fn push(&mut self, error: ScpiError) {
        if self.entries.len() < self.depth {
            self.entries.push_back(error);
        } else if let Some(last) = self.entries.back_mut() {
            *last = ScpiError::new(-350);
        }
    }

    /// Takes the oldest entry.
    pub fn pop(&mut self) -> Option<ScpiError> {
        self.entries.pop_front()
    }

    /// How many entries wait.
    #[must_use]
    pub fn len(&self) -> usize {
        self.entries.len()
    }

    /// Whether none waits.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    /// Forgets all entries.
    pub fn clear(&mut self) {
        self.entries.clear();
    }
}

/// Bit 15 of a SCPI status register is always 0.
const REGISTER_BITS: u16 = 0x7FFF;

/// A SCPI status register: condition, transition filters, event, enable.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Register {
    condition: u16,
    event: u16,
    /// Which event bits reach the summary.
    enable: u16,
    positive: u16,
    negative: u16,
}

impl Default for Register {
    fn default() -> Self {
        Self { condition: 0, event: 0, enable: 0, positive: REGISTER_BITS, negative: 0 }
    }
}

impl Register {
    /// Sets the condition; bits that change as the filters say are latched in the event register.
    pub fn set_condition(&mut self, condition: u16) {
        let condition = condition & REGISTER_BITS;
        let risen = condition & !self.condition & self.positive;
        let fallen = self.condition & !condition & self.negative;
        self.event |= risen | fallen;
        self.condition = condition;
    }

    /// The present condition.
    #[must_use]
    pub fn condition(&self) -> u16 {
        self.condition
    }

    /// The event register, which is cleared by being read.
    pub fn take_event(&mut self) -> u16 {
        std::mem::take(&mut self.event)
    }

    /// The enable mask.
    #[must_use]
    pub fn enable(&self) -> u16 {
        self.enable
    }

    /// Sets the enable mask.
    pub fn set_enable(&mut self, mask: u16) {
        self.enable = mask & REGISTER_BITS;
    }

    /// The positive and negative transition filters.
    #[must_use]
    pub fn filters(&self) -> (u16, u16) {
        (self.positive, self.negative)
    }

    /// Sets the positive and negative transition filters.
    pub fn set_filters(&mut self, positive: u16, negative: u16) {
        self.positive = positive & REGISTER_BITS;
        self.negative = negative & REGISTER_BITS;
    }

    /// Whether an enabled event is latched.
    #[must_use]
    pub fn summary(&self) -> bool {
        self.event & self.enable != 0
    }

    /// As `STATus:PRESet` does: nothing enabled, rising conditions latched; condition and event stay.
    pub fn preset(&mut self) {
        self.enable = 0;
        self.positive = REGISTER_BITS;
        self.negative = 0;
    }
}

/// Everything `*STB?` summarises.
#[derive(Debug, Clone)]
pub struct Status {
    /// The error and event queue.
    pub queue: ErrorQueue,
    /// OPERation.
    pub operation: Register,
    /// QUEStionable.
    pub questionable: Register,
    esr: u8,
    ese: u8,
    sre: u8,
}

impl Status {
    /// The status after power-on, with a queue of `queue_depth` entries.
    #[must_use]
    pub fn new(queue_depth: usize) -> Self {
        Self {
            queue: ErrorQueue::new(queue_depth),
            operation: Register::default(),
            questionable: Register::default(),
            esr: ESR_PON,
            ese: 0,
            sre: 0,
        }
    }

    /// Queues an error and sets the event bit of its class.
    pub fn report(&mut self, error: ScpiError) {
        if let Some(bit) = event_bit(error.number) {
            self.esr |= 1 << bit;
        }
        self.queue.push(error);
    }

    /// Sets bits of the standard event status register.
    pub fn set_events(&mut self, bits: u8) {
        self.esr |= bits;
    }

    /// The standard event status register, cleared by being read (`*ESR?`).
    pub fn take_events(&mut self) -> u8 {
        std::mem::take(&mut self.esr)
    }

    /// The standard event status enable register.
    #[must_use]
    pub fn event_enable(&self) -> u8 {
        self.ese
    }

    /// Sets the standard event status enable register (`*ESE`).
    pub fn set_event_enable(&mut self, mask: u8) {
        self.ese = mask;
    }

    /// The service request enable register.
    #[must_use]
    pub fn service_enable(&self) -> u8 {
        self.sre
    }

    /// Sets the service request enable register (`*SRE`); bit 6 cannot be set.
    pub fn set_service_enable(&mut self, mask: u8) {
        self.sre = mask & !STB_MSS;
    }

    /// The status byte with the master summary in bit 6; `message_available` is whether a reply waits.
    #[must_use]
    pub fn byte(&self, message_available: bool) -> u8 {
        let mut byte = 0;
        let mut set = |on: bool, bit: u8| byte |= if on { bit } else { 0 };
        set(!self.queue.is_empty(), STB_QUEUE);
        set(self.questionable.summary(), STB_QUESTIONABLE);
        set(message_available, STB_MAV);
        set(self.esr & self.ese != 0, STB_ESB);
        set(self.operation.summary(), STB_OPERATION);
        if byte & self.sre != 0 { byte | STB_MSS } else { byte }
    }

    /// As `*CLS` does: event registers and queue are cleared, enables and conditions stay.
    pub fn clear(&mut self) {
        self.queue.clear();
        self.esr = 0;
        self.operation.event = 0;
        self.questionable.event = 0;
    }

    /// As `STATus:PRESet` does.
    pub fn preset(&mut self) {
        self.operation.preset();
        self.questionable.preset();
    }
}
