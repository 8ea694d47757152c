//! What happened in a schedule, in order, with a hash over all of it: two schedules are the same exactly when their
//! hashes are.

use sha2::{Digest, Sha256};

/// One event.
#[derive(Debug, Clone)]
pub struct Event {
    /// Virtual time, ns.
    pub at_ns: u64,
    /// What happened.
    pub text: String,
}

impl std::fmt::Display for Event {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:14.9} s  {}", self.at_ns as f64 * 1e-9, self.text)
    }
}

/// The events of a schedule.
#[derive(Debug, Default)]
pub struct Log {
    events: Vec<Event>,
    hash: Sha256,
    forgets: bool,
}

impl Log {
    /// Adds an event.
    pub fn add(&mut self, at_ns: u64, text: String) {
        self.hash.update(at_ns.to_le_bytes());
        self.hash.update(&text);
        if !self.forgets {
            self.events.push(Event { at_ns, text });
        }
    }

    /// Keeps no event from now on, only the hash: for schedules of many hours.
    pub fn forget(&mut self) {
        self.forgets = true;
        self.events = Vec::new();
    }

    /// All events.
    pub fn events(&self) -> &[Event] {
        &self.events
    }

    /// Hash over all events.
    pub fn hash(&self) -> String {
        self.hash.clone().finalize().iter().take(16).map(|byte| format!("{byte:02x}")).collect()
    }
}

/// Bytes as a person reads them; blocks by their beginning and length.
pub fn shown(bytes: &[u8]) -> String {
    match bytes.get(..40) {
        Some(head) if bytes.len() > 120 => {
            let digest = Sha256::digest(bytes);
            let hash: String = digest.iter().take(4).map(|byte| format!("{byte:02x}")).collect();
            format!("{}… ({} bytes, {hash})", head.escape_ascii(), bytes.len())
        }
        _ => bytes.escape_ascii().to_string(),
    }
}
