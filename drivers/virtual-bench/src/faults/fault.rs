use std::path::PathBuf;

use serde::Deserialize;

use crate::Role;

/// One fault of a fault file. All conditions for its beginning hold together.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fault {
    /// The port it strikes; for a fault of the amplifier, the port whose messages it waits for.
    pub port: Role,
    /// What goes wrong.
    pub what: What,
    /// Not before so many seconds after the bench's start, s.
    #[serde(default)]
    pub at_s: f64,
    /// Not before so many questions have come to the port.
    #[serde(default)]
    pub after_queries: u64,
    /// Only messages that begin like this, in any case; without it, every message that the fault concerns.
    pub message: Option<String>,
    /// From which of these messages on, counted from 1.
    pub nth: Option<u64>,
    /// How long it lasts, s.
    pub for_s: Option<f64>,
    /// How many messages it strikes.
    pub times: Option<u64>,
}

/// What goes wrong.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum What {
    /// The cable comes off.
    HangUp {
        /// The answer to the message struck gets so far; without it, the message itself is lost.
        after_bytes: Option<usize>,
        /// The port is back after so long, s, under another number; without it, never.
        returns_s: Option<f64>,
        /// A symbolic link to the port that is back, made or moved.
        returns_as: Option<PathBuf>,
    },
    /// Nothing is answered.
    Silent,
    /// Answers come late; later ones wait behind them.
    Late {
        /// By so much, ms.
        by_ms: f64,
    },
    /// Answers break off, without an end.
    HalfAnswer {
        /// After so many bytes.
        bytes: usize,
    },
    /// Bytes that nobody sent come along with an answer.
    Garbage {
        /// Before it.
        #[serde(default)]
        before: Vec<u8>,
        /// After its end.
        #[serde(default)]
        after: Vec<u8>,
    },
    /// Answers come twice.
    Twice,
    /// What is sent comes back.
    Echo,
    /// Answers do not end.
    NoTerminator,
    /// NULs around answers.
    Nul,
    /// Answers come byte by byte.
    Dribble {
        /// So long between them, ms.
        gap_ms: f64,
    },
    /// The port takes no more bytes.
    Blocked,
    /// Bits of an answer are wrong.
    FlipBits {
        /// Which bits of a byte.
        mask: u8,
        /// Which byte, from 0; without it all of them.
        byte: Option<usize>,
    },
    /// A block is shorter than its header says.
    ShortBlock {
        /// By so many bytes.
        bytes: usize,
    },
    /// A block is longer than its header says.
    LongBlock {
        /// By so many bytes.
        bytes: usize,
    },
    /// A block's header says another length.
    LyingHeader {
        /// Larger by so many bytes than it is.
        by_bytes: i64,
    },
    /// A reading is `NAN`.
    Nan,
    /// A reading is 9.91E37, not a number in SCPI's way.
    Sentinel,
    /// A decimal comma.
    DecimalComma,
    /// A unit after the number.
    UnitSuffix {
        /// This one.
        unit: String,
    },
    /// An answer without content.
    Blank,
    /// Another answer altogether.
    Instead {
        /// This one, without its end.
        answer: String,
    },
    /// A reading is wrong by a factor.
    Scaled {
        /// This one.
        by: f64,
    },
    /// Readings stay as they were.
    Frozen,
    /// Settings are taken without a word and not made.
    SetterIgnored,
    /// OFF is taken without a word and not done; the read-back says so.
    OffIgnored,
    /// OFF is taken and read back, and the output stays live.
    OffLies,
    /// The instrument restarts: settings lost, outputs off, power-on event raised.
    Reboot,
    /// Somebody turns a knob.
    FrontPanel {
        /// What it does, as a message.
        does: String,
    },
    /// The error queue holds this.
    ErrorQueue {
        /// An error of SCPI-1999, such as -350.
        number: i16,
    },
    /// An output is shorted.
    Short {
        /// Which, from 1.
        output: usize,
        /// What is left of its load, Ω.
        ohm: f64,
    },
    /// A load has come off.
    Open {
        /// Which output, from 1.
        output: usize,
    },
    /// A load has another resistance than it is set to.
    WrongLoad {
        /// At which output, from 1.
        output: usize,
        /// This one, Ω.
        ohm: f64,
    },
    /// A divider or sensor gives more or less than it should.
    WrongGain {
        /// On which input of the digitizer, from 1.
        input: usize,
        /// By this factor.
        by: f64,
    },
    /// A sensor is the wrong way round.
    Reversed {
        /// On which input of the digitizer, from 1.
        input: usize,
    },
    /// An input of the digitizer is off by a direct voltage.
    Offset {
        /// Which, from 1.
        input: usize,
        /// By so much, V at the converter.
        v: f64,
    },
    /// An input of the digitizer does not follow a straight line.
    Bent {
        /// Which, from 1.
        input: usize,
        /// Off by this share of the range at its end.
        share: f64,
    },
    /// The leads of two inputs of the digitizer are exchanged.
    Exchanged {
        /// One, from 1.
        first: usize,
        /// The other.
        second: usize,
    },
    /// A bridged amplifier does not turn its second channels over: both sides of every bridge swing together.
    /// Without bridges it changes nothing.
    BridgeInPhase,
    /// The amplifier oscillates, whatever the source does.
    Oscillates {
        /// At so much, V rms without load.
        out_vrms: f64,
        /// At this frequency, Hz.
        hz: f64,
    },
    /// The heatsink warms without end.
    ThermalRunaway {
        /// So fast, °C/s.
        c_per_s: f64,
    },
    /// The temperature sensor has come off.
    SensorDetached {
        /// What the thermometer shows instead.
        reads: String,
    },
    /// The supply stays charged after it is switched off.
    StoredCharge {
        /// Time constant of its discharge, s.
        tau_s: f64,
    },
}

impl What {
    /// Whether it lasts by itself rather than striking messages: such a fault needs a duration.
    pub fn lasts(&self) -> bool {
        self.is_of_the_amplifier() || matches!(self, What::Blocked | What::OffLies)
    }

    /// Whether it happens at one moment: such a fault needs a count.
    pub fn is_sudden(&self) -> bool {
        matches!(self, What::HangUp { .. } | What::Reboot | What::FrontPanel { .. })
    }

    /// Whether it is the amplifier that fails, what hangs on it, or what looks at it.
    pub fn is_of_the_amplifier(&self) -> bool {
        matches!(
            self,
            What::Short { .. }
                | What::Open { .. }
                | What::WrongLoad { .. }
                | What::WrongGain { .. }
                | What::Reversed { .. }
                | What::Offset { .. }
                | What::Bent { .. }
                | What::Exchanged { .. }
                | What::BridgeInPhase
                | What::Oscillates { .. }
                | What::ThermalRunaway { .. }
                | What::StoredCharge { .. }
        )
    }

    /// The output of the amplifier or the input of the digitizer that it strikes, from 1, and whether it is an output.
    fn strikes_at(&self) -> Option<(usize, bool)> {
        match *self {
            What::Short { output, .. } | What::Open { output } | What::WrongLoad { output, .. } => {
                Some((output, true))
            }
            What::WrongGain { input, .. }
            | What::Reversed { input }
            | What::Offset { input, .. }
            | What::Bent { input, .. } => Some((input, false)),
            What::Exchanged { first, second } => Some((first.max(second), false)),
            _ => None,
        }
    }

    /// What it would strike that an amplifier of so many channels has not got.
    pub(crate) fn misses(&self, channels: usize) -> Option<String> {
        match self.strikes_at() {
            Some((output, true)) if output > channels => {
                Some(format!("output {output} of an amplifier of {channels} channels"))
            }
            Some((input, false)) if input > 2 * channels => {
                Some(format!("input {input} of a digitizer of {} inputs", 2 * channels))
            }
            _ => None,
        }
    }

    /// Whether time alone can bring it, without a message.
    pub fn needs_no_message(&self) -> bool {
        self.is_of_the_amplifier() || self.is_sudden() || matches!(self, What::Blocked)
    }
}

impl Fault {
    /// Whether it begins with time alone.
    pub fn is_timed(&self) -> bool {
        self.what.needs_no_message()
            && self.message.is_none()
            && self.nth.is_none()
            && self.after_queries == 0
    }
}
