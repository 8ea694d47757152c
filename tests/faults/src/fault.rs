//! The faults there are, each with its number in the catalogue of the safety design, and the plan a seed makes of
//! them.

use std::time::Duration;

use wattproof_virtual_bench::Role;

use wattproof_turns::Random;

/// What goes wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Kind {
    /// The cable comes off in the middle of an answer and stays off.
    UnplugMidReply,
    /// The link hangs up and comes back.
    HangUp,
    /// Answers come after the deadline.
    LateReply,
    /// An answer comes twice, so that every later one is off by one.
    SurplusReply,
    /// What is sent comes back before the answer.
    Echo,
    /// Answers end without a terminator.
    NoTerminator,
    /// NULs in answers, CR LF at their ends.
    NulsAndCr,
    /// Answers dribble in byte by byte.
    Dribble,
    /// The link takes no bytes.
    OutputBlocked,
    /// A bit of an answer is flipped.
    BitErrorIn,
    /// A bit of a message is flipped.
    BitErrorOut,
    /// All links hang up at once and come back.
    HubReset,
    /// The instrument restarts with everything off and its settings lost.
    Reboot,
    /// A setting is not taken.
    SetterIgnored,
    /// The error queue has overflowed.
    QueueOverflow,
    /// The answer was interrupted, unterminated or deadlocked.
    QueryError,
    /// A block is short.
    BlockShort,
    /// A block is long.
    BlockLong,
    /// A block's header lies about its length.
    BlockLies,
    /// Not a number, in SCPI's way.
    NotANumber,
    /// Infinity, in SCPI's way.
    Infinity,
    /// A decimal comma, a unit, or nothing at all.
    OddNumber,
    /// An operation is told complete late.
    OpcLate,
    /// OFF is acknowledged and read back, but the output stays live.
    OffLies,
    /// OFF is ignored and the read-back says so.
    OffIgnored,
    /// Somebody turns a knob at the front panel.
    FrontPanel,
    /// Readings freeze.
    Frozen,
    /// A reading is wrong by a factor.
    Disagrees,
    /// A load is short.
    Short,
    /// The heatsink heats up fast.
    Runaway,
    /// The amplifier oscillates without being driven.
    Oscillates,
    /// The temperature sensor has come off.
    SensorOff,
    /// The machine was suspended.
    Suspend,
    /// A person stops the run.
    OperatorStop,
    /// A second run is started on the same bench.
    DoubleStart,
    /// A person quotes the number shown as soon as there is one, whatever stands.
    ResetHasty,
    /// A person quotes a number that was shown before the present one.
    ResetReplayed,
    /// After the run a person looks, resets until it is granted, and arms again.
    ResetProper,
    /// The disk is full.
    DiskFull,
    /// A write or sync fails.
    DiskError,
    /// The disk takes its time.
    DiskSlow,
    /// The daemon dies in the midst of a write.
    DeathAtWrite,
    /// The power of the machine fails in the midst of a write, that of the instruments does not.
    PowerLoss,
    /// The daemon dies, its guardian lives.
    Death,
    /// The daemon and its guardian die.
    DeathOfBoth,
}

use Kind::*;

/// Every kind with its number in the catalogue; 0 for an operator's stop, which is no fault.
pub const CATALOGUE: [(Kind, u8); 45] = [
    (UnplugMidReply, 1),
    (HangUp, 2),
    (LateReply, 6),
    (SurplusReply, 6),
    (Echo, 7),
    (NoTerminator, 8),
    (NulsAndCr, 8),
    (Dribble, 9),
    (OutputBlocked, 10),
    (BitErrorIn, 11),
    (BitErrorOut, 11),
    (HubReset, 12),
    (Reboot, 13),
    (SetterIgnored, 14),
    (QueueOverflow, 15),
    (QueryError, 16),
    (BlockShort, 17),
    (BlockLong, 17),
    (BlockLies, 17),
    (NotANumber, 18),
    (Infinity, 18),
    (OddNumber, 19),
    (OpcLate, 20),
    (OffLies, 21),
    (OffIgnored, 21),
    (FrontPanel, 24),
    (Frozen, 25),
    (Disagrees, 26),
    (Short, 27),
    (Runaway, 28),
    (Oscillates, 29),
    (SensorOff, 31),
    (Suspend, 45),
    (OperatorStop, 0),
    (DoubleStart, 57),
    (ResetHasty, 56),
    (ResetReplayed, 56),
    (ResetProper, 56),
    (DiskFull, 41),
    (DiskError, 42),
    (DiskSlow, 44),
    (DeathAtWrite, 38),
    (PowerLoss, 43),
    (Death, 38),
    (DeathOfBoth, 40),
];

impl Kind {
    /// Its number in the catalogue of the safety design; 0 for an operator's stop.
    pub fn number(self) -> u8 {
        CATALOGUE.iter().find(|(kind, _)| *kind == self).map_or(0, |(_, number)| *number)
    }

    /// Whether it happens to one instrument or its link, by the messages that pass.
    pub fn on_a_port(self) -> bool {
        !matches!(
            self,
            HubReset
                | FrontPanel
                | Short
                | Runaway
                | Oscillates
                | Suspend
                | OperatorStop
                | DoubleStart
                | ResetHasty
                | ResetReplayed
                | ResetProper
                | DiskFull
                | DiskError
                | DiskSlow
                | DeathAtWrite
                | PowerLoss
                | Death
                | DeathOfBoth
        )
    }

    /// Whether the daemon dies of it.
    pub fn kills(self) -> bool {
        matches!(self, Death | DeathOfBoth | DeathAtWrite | PowerLoss)
    }

    /// Whether it waits for the daemon to write something.
    pub fn on_the_disk(self) -> bool {
        matches!(self, DiskFull | DiskError | DiskSlow | DeathAtWrite | PowerLoss)
    }

    /// Whether an instrument says what is not so, in a way that only another instrument could contradict.
    pub fn lies(self) -> bool {
        matches!(
            self,
            BitErrorIn
                | BitErrorOut
                | OffLies
                | Frozen
                | Disagrees
                | SensorOff
                | FrontPanel
                | Reboot
                | OpcLate
                | Oscillates
        )
    }

    fn roles(self) -> &'static [Role] {
        match self {
            BlockShort | BlockLong | BlockLies => &[Role::Digitizer],
            OffLies | OffIgnored => &[Role::Source, Role::Supply],
            SensorOff => &[Role::Thermometer],
            Frozen | Disagrees => &[Role::Supply, Role::Thermometer],
            Reboot | SetterIgnored | FrontPanel => &[Role::Source, Role::Supply, Role::Load],
            OpcLate => &[Role::Load, Role::Supply, Role::Digitizer],
            _ => &Role::ALL,
        }
    }
}

/// One fault of a schedule.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fault {
    /// What goes wrong.
    pub kind: Kind,
    /// Where.
    pub role: Role,
    /// From when, virtual time.
    pub from: Duration,
    /// For how long.
    pub length: Duration,
    /// How many exchanges suffer at most.
    pub times: u32,
}

impl Fault {
    /// When it is over.
    pub fn until(&self) -> Duration {
        self.from + self.length
    }
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (from_s, until_s) = (self.from.as_secs_f64(), self.until().as_secs_f64());
        write!(f, "[{}] {:?}", self.kind.number(), self.kind)?;
        if self.kind.on_a_port() || self.kind == FrontPanel {
            write!(f, " at the {}", self.role)?;
        }
        write!(f, " from {from_s:.6} s to {until_s:.6} s, {} times at most", self.times)
    }
}

/// Last moment a fault may begin, s: a little after most scripts have ended.
const LATEST_S: f64 = 3.5;
/// When a bench is open, s: what its messages take when nothing goes wrong.
const OPENED_S: f64 = 1.05;

/// The faults of one schedule: most often one, sometimes two or three at once, rarely none.
pub fn plan(seed: u64) -> Vec<Fault> {
    let mut random = Random::new(seed, 2);
    let count = [0, 1, 1, 1, 1, 1, 2, 2, 3].get(random.below(9)).copied().unwrap_or(1);
    let mut faults: Vec<Fault> = (0..count).filter_map(|_| fault(&mut random)).collect();
    // One death is enough for a schedule.
    let mut died = false;
    faults.retain(|fault| {
        let dies = fault.kind.kills();
        !dies || !std::mem::replace(&mut died, true)
    });
    faults
}

fn fault(random: &mut Random) -> Option<Fault> {
    let (kind, _) = *random.pick(&CATALOGUE)?;
    let role = *random.pick(kind.roles())?;
    // Some while the bench is opened, many where the first switching on happens.
    let (earliest_s, latest_s) = match random.below(5) {
        0 => (0.0, OPENED_S),
        1 | 2 => (OPENED_S, OPENED_S + 0.6),
        _ => (OPENED_S, LATEST_S),
    };
    let from = Duration::from_secs_f64(random.between(earliest_s, latest_s));
    let length_s = if random.once_in(3) { random.between(3.0, 30.0) } else { random.between(0.01, 1.5) };
    let once = matches!(kind, Reboot | HangUp | UnplugMidReply | DeathAtWrite | PowerLoss);
    let times = if once {
        1
    } else if random.once_in(3) {
        u32::MAX
    } else {
        1 + random.below(3) as u32
    };
    Some(Fault { kind, role, from, length: Duration::from_secs_f64(length_s), times })
}
