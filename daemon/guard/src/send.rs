//! Which kinds of message may leave in which state.

use serde::{Deserialize, Serialize};

use crate::State;

/// What a message to an instrument can do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MessageKind {
    /// Switches an output off. Never refused.
    Off,
    /// Asks.
    Query,
    /// Clears status, error queue or a tripped protection. Clearing a protection can restore an output on some
    /// instruments, so that it needs every output confirmed off.
    Clear,
    /// Changes a setting and can neither energise nor raise anything.
    Set,
    /// Feeds an instrument's watchdog.
    Feed,
    /// Energises or raises; needs `Guard::permit` with its value as well.
    Energise,
}

impl MessageKind {
    /// All kinds.
    pub const ALL: [MessageKind; 6] = [
        MessageKind::Off,
        MessageKind::Query,
        MessageKind::Clear,
        MessageKind::Set,
        MessageKind::Feed,
        MessageKind::Energise,
    ];

    /// Whether a message of this kind may leave. `all_off`: every output is believed off; `fresh`: every safety
    /// reading is valid and young.
    pub(crate) fn allowed(self, state: State, all_off: bool, fresh: bool) -> bool {
        let tripped = matches!(state, State::Tripping | State::Tripped | State::Alarm);
        let live = matches!(state, State::Armed | State::Running);
        match self {
            MessageKind::Off | MessageKind::Query => true,
            MessageKind::Clear => all_off,
            MessageKind::Set => live || (all_off && !tripped),
            MessageKind::Feed => live && fresh,
            MessageKind::Energise => live,
        }
    }
}
