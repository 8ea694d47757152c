//! The daemon's side of a script: every call and its answer go into the journal before the script sees the answer, and are
//! on the disk before anything that the script makes of it has an effect: a line that must be there takes all before it
//! with it.

use serde_json::{Value, json};

use super::call::{Call, CallRefused};
use super::functions::carry_out;
use super::printing::Printed;
use crate::record::LINE;
use crate::stage::Stage;
use crate::{Event, RunError, ScriptFault};

/// Most text a script may print in a run, bytes: more is a flood, not a message.
const PRINTED_MAX: usize = 1 << 20;

/// Answers a script's calls on a stage.
pub struct Host {
    /// The stage.
    pub stage: Stage,
    /// Where in the script the run was when something else than the script failed.
    pub stood: Option<Box<ScriptFault>>,
    failure: Option<RunError>,
    over: bool,
    printed: usize,
}

impl Host {
    /// A host on a stage.
    pub fn new(stage: Stage) -> Self {
        Host { stage, stood: None, failure: None, over: false, printed: 0 }
    }

    /// Answers a call.
    ///
    /// # Errors
    /// [`CallRefused`]; the failure itself is kept.
    pub fn answer(&mut self, call: &Call) -> Result<Value, CallRefused> {
        if self.over {
            return Err(CallRefused { message: "the run is over".into(), over: true });
        }
        let answered = self.recorded(call);
        answered.map_err(|error| self.refused(error))
    }

    fn refused(&mut self, error: RunError) -> CallRefused {
        let message = error.to_string();
        // What the script itself did wrong it may catch; the bench's, the disk's and the record's failures not.
        self.over |= !matches!(error, RunError::Call(_) | RunError::NoCeiling(_) | RunError::Implausible(_));
        self.failure = Some(error);
        CallRefused { message, over: self.over }
    }

    fn recorded(&mut self, call: &Call) -> Result<Value, RunError> {
        let made = json!({ "name": call.name, "arguments": call.arguments, LINE: call.line });
        self.stage.bench.note("call", &made)?;
        if call.name != "param" {
            self.stage.asked.bench_asked(call);
        }
        match carry_out(&mut self.stage, call) {
            Ok(value) => {
                self.stage.bench.note("answer", &json!({ "value": value }))?;
                Ok(value)
            }
            Err(error @ (RunError::Diverged(_) | RunError::JournalEnds | RunError::Journal(_))) => Err(error),
            // A capture that can't be read back is no answer of before: it would be told as a script that has changed.
            Err(error @ RunError::Capture(_)) if self.stage.bench.is_replaying() => Err(error),
            Err(error) => {
                let refused = json!({ "error": error.to_string(), "again": error.may_pass_again() });
                self.stage.bench.record("answer", &refused)?;
                Err(error)
            }
        }
    }

    /// Shows what the script prints.
    ///
    /// # Errors
    /// [`CallRefused`] when it prints too much.
    pub fn print(&mut self, printed: &Printed) -> Result<(), CallRefused> {
        self.printed = self.printed.saturating_add(printed.text.len().max(1));
        if self.printed > PRINTED_MAX {
            let message = format!(
                "the script printed more than {PRINTED_MAX} bytes: print less, record() what matters"
            );
            self.failure.get_or_insert_with(|| RunError::Call(message.clone()));
            self.over = true;
            return Err(CallRefused { message, over: true });
        }
        // While the run is answered from its journal the same was printed before.
        if !self.stage.bench.is_replaying() {
            // It may be made of answers that no later line has put on the disk yet.
            self.stage.bench.keep().map_err(|error| self.refused(error))?;
            tracing::info!(script_line = printed.line, "{}", printed.text);
            self.stage.tell(&Event::Printed(&printed.text));
        }
        Ok(())
    }

    /// Whether the script can't go on.
    pub fn is_over(&self) -> bool {
        self.over
    }

    /// The last failure of a call, if any.
    pub fn take_failure(&mut self) -> Option<RunError> {
        self.failure.take()
    }
}
