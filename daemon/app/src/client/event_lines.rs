//! Events out of bytes, by the rules of the HTML standard for server-sent events ("Interpreting an event stream").

/// Longest event, bytes: far beyond any step.
const EVENT_BYTES_MAX: usize = 4 << 20;

/// One event.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Event {
    /// What it is about; `message` where the stream does not say.
    pub kind: String,
    /// What it says.
    pub data: String,
    /// The last identity that the stream gave, with this event or before it.
    pub id: String,
}

/// An event grew beyond every measure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("an event is longer than {EVENT_BYTES_MAX} bytes")]
pub struct TooLong;

/// What has come of a stream, between pieces that break anywhere.
#[derive(Debug, Default)]
pub struct EventLines {
    line: Vec<u8>,
    /// A CR ended the last line: a LF right behind it belongs to it.
    after_cr: bool,
    begun: bool,
    kind: String,
    data: String,
    id: String,
}

impl EventLines {
    /// Takes a piece in and gives the events that it completes. What is not ended by an empty line is no event yet.
    ///
    /// # Errors
    /// [`TooLong`].
    pub fn take(&mut self, piece: &[u8]) -> Result<Vec<Event>, TooLong> {
        let mut events = Vec::new();
        for byte in piece {
            let after_cr = std::mem::replace(&mut self.after_cr, *byte == b'\r');
            match byte {
                b'\n' if after_cr => {}
                b'\n' | b'\r' => events.extend(self.line_ends()),
                _ => self.line.push(*byte),
            }
            if self.line.len() + self.data.len() > EVENT_BYTES_MAX {
                return Err(TooLong);
            }
        }
        Ok(events)
    }

    fn line_ends(&mut self) -> Option<Event> {
        let line = std::mem::take(&mut self.line);
        let line = String::from_utf8_lossy(&line);
        // One byte order mark may open the stream.
        let line = if self.begun { &line } else { line.trim_start_matches('\u{feff}') };
        self.begun = true;
        if line.is_empty() {
            return self.dispatch();
        }
        // Without a colon the whole line is the field's name; a line that opens with one is a comment.
        let (field, value) = line.split_once(':').unwrap_or((line, ""));
        let value = value.strip_prefix(' ').unwrap_or(value);
        match field {
            "event" => self.kind = value.into(),
            "data" => {
                self.data.push_str(value);
                self.data.push('\n');
            }
            "id" if !value.contains('\0') => self.id = value.into(),
            // Comments, `retry` (who follows tries again by itself), and what is not known.
            _ => {}
        }
        None
    }

    fn dispatch(&mut self) -> Option<Event> {
        let (mut data, kind) = (std::mem::take(&mut self.data), std::mem::take(&mut self.kind));
        if data.is_empty() {
            return None;
        }
        data.pop();
        let kind = if kind.is_empty() { "message".into() } else { kind };
        Some(Event { kind, data, id: self.id.clone() })
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;

    fn heard(text: &str) -> Vec<(String, String, String)> {
        let whole = EventLines::default().take(text.as_bytes()).unwrap();
        // However the pieces break, the same is heard.
        let mut lines = EventLines::default();
        let apart: Vec<Event> = text.bytes().flat_map(|byte| lines.take(&[byte]).unwrap()).collect();
        assert_eq!(whole, apart);
        whole.into_iter().map(|event| (event.kind, event.data, event.id)).collect()
    }

    fn one(kind: &str, data: &str, id: &str) -> (String, String, String) {
        (kind.into(), data.into(), id.into())
    }

    /// HTML standard, 9.2.6 "Interpreting an event stream": its own examples of streams.
    #[test]
    fn the_standards_own_examples_are_heard_as_it_says() {
        assert_eq!(heard("data: YHOO\ndata: +2\ndata: 10\n\n"), [one("message", "YHOO\n+2\n10", "")]);
        let comment = heard(
            ": test stream\n\ndata: first event\nid: 1\n\ndata:second event\nid\n\ndata:  third event\n\n",
        );
        assert_eq!(
            comment,
            [
                one("message", "first event", "1"),
                one("message", "second event", ""),
                one("message", " third event", "")
            ]
        );
        // An empty `data`, two empty ones, and one that no empty line ends.
        assert_eq!(heard("data\n\ndata\ndata\n\ndata:"), [one("message", "", ""), one("message", "\n", "")]);
        assert_eq!(
            heard("data:test\n\ndata: test\n\n"),
            [one("message", "test", ""), one("message", "test", "")]
        );
    }

    /// HTML standard, 9.2.5 and 9.2.6: line ends, byte order mark, identities, fields that are not known.
    #[test]
    fn line_ends_and_fields_are_as_the_standard_has_them() {
        for end in ["\n", "\r", "\r\n"] {
            let text = "event: step\nid: k-1\ndata: 1\n\nevent: beat\n\ndata: 2\n\n".replace('\n', end);
            assert_eq!(heard(&text), [one("step", "1", "k-1"), one("message", "2", "k-1")], "{end:?}");
        }
        assert_eq!(heard("\u{feff}data: 1\n\n"), [one("message", "1", "")]);
        assert_eq!(heard("id: a\0b\nretry: 5\nother: x\ndata: 1\n\n"), [one("message", "1", "")]);
        assert_eq!(heard("Data: 1\n data: 2\n\n"), []);
    }

    #[test]
    fn an_event_without_end_is_refused() {
        let mut lines = EventLines::default();
        let piece = vec![b'x'; 1 << 20];
        let taken: Vec<_> = (0..5).map(|_| lines.take(&piece)).collect();
        assert!(taken[0].is_ok() && taken[4] == Err(TooLong));
    }
}
