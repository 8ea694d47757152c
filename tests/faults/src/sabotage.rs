//! Daemons broken on purpose, to prove that the checker finds them: a link that does not do what it is told, a guard
//! with other limits than the bench has, a record that was altered.

use std::time::Duration;

use wattproof_bench::BenchFile;
use wattproof_link::{Canceller, Link, LinkError};

/// A way to break a daemon.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sabotage {
    /// OFF never leaves, and its read-back is made up.
    SwallowsOff,
    /// The read-back after OFF is made up.
    SkipsReadBack,
    /// OFF leaves half a second late.
    DelaysOff,
    /// After each OFF the output is switched on again.
    Relights,
    /// Supply current and temperature are made up.
    InventsReadings,
    /// Nobody asks who the instruments are.
    SkipsIdentity,
    /// The guard's limits are three times those of the bench.
    LooseGuard,
    /// A line of the journal is altered.
    AltersRecord,
}

/// All of them, each with the invariants that must catch it.
pub const ALL: [(Sabotage, &[u8]); 8] = [
    (Sabotage::SwallowsOff, &[2, 3, 9]),
    (Sabotage::SkipsReadBack, &[9, 1]),
    (Sabotage::DelaysOff, &[3]),
    (Sabotage::Relights, &[8, 1]),
    (Sabotage::InventsReadings, &[10, 12]),
    (Sabotage::SkipsIdentity, &[1]),
    (Sabotage::LooseGuard, &[11]),
    (Sabotage::AltersRecord, &[14]),
];

impl Sabotage {
    /// Breaks the bench file that the daemon reads.
    pub fn file(self, mut file: BenchFile) -> BenchFile {
        if self == Sabotage::LooseGuard {
            file.limits.supply_v_max *= 3.0;
            file.limits.source_vrms_max *= 3.0;
            file.limits.source_step_db_max *= 3.0;
        }
        file
    }

    /// Breaks a record.
    pub fn record(self, bytes: Vec<u8>) -> Vec<u8> {
        if self != Sabotage::AltersRecord {
            return bytes;
        }
        String::from_utf8_lossy(&bytes).replacen("level_vrms", "level_Vrms", 1).into_bytes()
    }
}

/// A link that is broken on purpose.
pub struct Sabotaged {
    inner: Box<dyn Link>,
    how: Sabotage,
    /// What was switched last was switched off.
    off: bool,
    made_up: Vec<u8>,
}

impl Sabotaged {
    /// Breaks a link.
    pub fn new(inner: Box<dyn Link>, how: Sabotage) -> Sabotaged {
        Sabotaged { inner, how, off: false, made_up: Vec::new() }
    }

    /// What goes on to the instrument instead of a message, and what is answered at once instead of by it.
    fn instead(&mut self, line: &str) -> (Option<String>, &'static str) {
        let output = line.starts_with("OUTP");
        let off = output && line.ends_with("OFF");
        if output && !line.ends_with('?') {
            self.off = off;
        }
        match self.how {
            Sabotage::SwallowsOff if off => (None, ""),
            Sabotage::SwallowsOff | Sabotage::SkipsReadBack if output && line.ends_with('?') && self.off => {
                (None, "0\n")
            }
            Sabotage::Relights if off => (Some(format!("{line}\n{}", line.replace("OFF", "ON"))), ""),
            Sabotage::InventsReadings if line.starts_with("MEAS:CURR") => (None, "1.000\n"),
            Sabotage::InventsReadings if line.starts_with("MEAS:TEMP") => (None, "25.00\n"),
            Sabotage::SkipsIdentity if line == "*IDN?" => (None, "Invented,None,0,0\n"),
            _ => (Some(line.into()), ""),
        }
    }
}

impl Link for Sabotaged {
    fn label(&self) -> &str {
        self.inner.label()
    }

    fn now(&self) -> Duration {
        self.inner.now()
    }

    fn send(&mut self, bytes: &[u8], deadline: Duration) -> Result<(), LinkError> {
        let text = String::from_utf8_lossy(bytes).into_owned();
        for line in text.split_inclusive('\n') {
            let whole = line.trim_end_matches('\n');
            let (goes, said) = self.instead(whole);
            if self.how == Sabotage::DelaysOff && whole.ends_with("OFF") {
                let until = self.inner.now() + Duration::from_millis(500);
                // Nothing comes in the meantime: nothing was asked.
                let _nothing = self.inner.receive(&mut [0; 1], until);
            }
            self.made_up.extend_from_slice(said.as_bytes());
            match goes {
                Some(goes) => {
                    let end = if line.ends_with('\n') { "\n" } else { "" };
                    self.inner.send(format!("{goes}{end}").as_bytes(), deadline)?;
                }
                // The line ends all the same.
                None => self.inner.send(b"\n", deadline)?,
            }
        }
        Ok(())
    }

    fn receive(&mut self, buf: &mut [u8], deadline: Duration) -> Result<usize, LinkError> {
        if self.made_up.is_empty() {
            return self.inner.receive(buf, deadline);
        }
        let count = self.made_up.len().min(buf.len());
        for (slot, byte) in buf.iter_mut().zip(self.made_up.drain(..count)) {
            *slot = byte;
        }
        Ok(count)
    }

    fn canceller(&self) -> Canceller {
        self.inner.canceller()
    }
}
