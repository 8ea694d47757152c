//! A bench as the API shows it.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use wattproof_bench::{Outputs, Sight, read_latch};
use wattproof_guard::State;

use crate::settings::BenchPlace;

/// State of a bench's guard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum GuardState {
    /// No run holds the ports.
    Closed,
    /// Nothing is known yet.
    Boot,
    /// Every output confirmed off.
    Safe,
    /// A run may energise.
    Armed,
    /// Something was energised.
    Running,
    /// A trip is being carried out.
    Tripping,
    /// Everything confirmed off after a trip; latched until a person resets.
    Tripped,
    /// An output could not be confirmed off, or was measured live after it had been.
    Alarm,
}

impl GuardState {
    /// Every state.
    pub const ALL: [GuardState; 8] = [
        GuardState::Closed,
        GuardState::Boot,
        GuardState::Safe,
        GuardState::Armed,
        GuardState::Running,
        GuardState::Tripping,
        GuardState::Tripped,
        GuardState::Alarm,
    ];

    /// As in JSON.
    pub fn word(self) -> &'static str {
        match self {
            GuardState::Closed => "closed",
            GuardState::Boot => "boot",
            GuardState::Safe => "safe",
            GuardState::Armed => "armed",
            GuardState::Running => "running",
            GuardState::Tripping => "tripping",
            GuardState::Tripped => "tripped",
            GuardState::Alarm => "alarm",
        }
    }
}

impl From<State> for GuardState {
    fn from(state: State) -> Self {
        match state {
            State::Boot => GuardState::Boot,
            State::Safe => GuardState::Safe,
            State::Armed => GuardState::Armed,
            State::Running => GuardState::Running,
            State::Tripping => GuardState::Tripping,
            State::Tripped => GuardState::Tripped,
            State::Alarm => GuardState::Alarm,
        }
    }
}

/// Whether an output may be live.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum OutputsState {
    /// Source and supply were read back off.
    Off,
    /// At least one was switched on.
    Live,
    /// At least one is not known: it counts as live.
    Unknown,
}

impl From<Outputs> for OutputsState {
    fn from(outputs: Outputs) -> Self {
        match outputs {
            Outputs::Off => OutputsState::Off,
            Outputs::Live => OutputsState::Live,
            Outputs::Unknown => OutputsState::Unknown,
        }
    }
}

/// A trip that waits for a person's reset.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Latched {
    /// What happened, in words.
    pub cause: String,
    /// When.
    pub at_utc: Option<DateTime<Utc>>,
    /// Whether an output was not confirmed off.
    pub alarm: bool,
}

/// A bench now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Bench {
    /// What it is called in addresses.
    pub bench: String,
    /// Its name.
    pub name: String,
    /// Its bench file.
    pub file: String,
    /// Whether it is a virtual bench.
    pub invented: bool,
    /// State of its guard.
    pub guard: GuardState,
    /// Whether an output may be live.
    pub outputs: OutputsState,
    /// A trip that waits for a person's reset.
    pub latched: Option<Latched>,
    /// Supply voltage as last measured, V.
    pub supply_v: Option<f64>,
    /// Supply current as last measured, A.
    pub supply_a: Option<f64>,
    /// Heatsink as last measured, °C.
    pub heatsink_c: Option<f64>,
    /// When that was.
    pub read_utc: Option<DateTime<Utc>>,
    /// The job whose run holds it.
    pub job: Option<u64>,
    /// Why the last run could not open it: its file, its ports or its instruments. What waits for it waits for a person.
    #[serde(default)]
    pub lost: Option<String>,
}

impl Bench {
    /// A bench that no run holds. What its outputs are is known from no run of this daemon yet.
    pub fn closed(place: &BenchPlace, name: String) -> Self {
        Bench {
            bench: place.id.clone(),
            name,
            file: place.file.display().to_string(),
            invented: place.invented,
            guard: GuardState::Closed,
            outputs: OutputsState::Unknown,
            latched: latched(place),
            supply_v: None,
            supply_a: None,
            heatsink_c: None,
            read_utc: None,
            job: None,
            lost: None,
        }
    }

    /// Takes over what a run sees.
    pub fn see(&mut self, sight: &Sight, now: DateTime<Utc>) {
        self.guard = sight.guard.into();
        self.outputs = sight.outputs.into();
        (self.supply_v, self.supply_a, self.heatsink_c) = (sight.supply_v, sight.supply_a, sight.heatsink_c);
        self.read_utc = Some(now);
    }

    /// The run let go of it. What it measured is of then, and stays with its time.
    pub fn close(&mut self, safe: bool, latched: Option<Latched>) {
        self.latched = latched;
        self.guard = if safe { GuardState::Closed } else { GuardState::Alarm };
        // What was seen off stays so: nobody holds the ports. What was not seen is not known.
        if !safe || self.outputs != OutputsState::Off {
            self.outputs = OutputsState::Unknown;
        }
        self.job = None;
    }
}

/// The trip that stands in a bench's state folder. One that can't be read counts as an alarm.
pub fn latched(place: &BenchPlace) -> Option<Latched> {
    match read_latch(&place.state) {
        Ok(latch) => latch.map(|latch| Latched {
            cause: latch.record.cause.to_string(),
            at_utc: i64::try_from(latch.at_unix_s).ok().and_then(|s| DateTime::from_timestamp(s, 0)),
            alarm: latch.record.alarm,
        }),
        Err(error) => Some(Latched { cause: error.to_string(), at_utc: None, alarm: true }),
    }
}
