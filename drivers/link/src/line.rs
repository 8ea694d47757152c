//! A serial port opened only for one of its modem lines, such as the one that holds a contactor.
//!
//! Opening a serial port raises RTS and DTR in the kernel, before any program can say no: whoever opens a line must
//! expect it to be up for an instant, and do so only while nothing is energised. Hang-up on close (HUPCL) is set, so
//! that the kernel drops the line when the last descriptor closes, however the process ends. No descriptor is ever
//! duplicated, inherited or handed out, for the line would stay up with it.

use std::path::Path;

use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;
use rustix::termios::{ControlModes, OptionalActions, isatty, tcgetattr, tcsetattr};
use serde::{Deserialize, Serialize};
use serialport::{SerialPort, TTYPort};

use crate::LinkError;
use crate::ports::ports_sentence;
use crate::serial::{busy, refuse};

/// A line that this side drives.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum OutputLine {
    /// Request to send.
    Rts,
    /// Data terminal ready.
    Dtr,
}

/// A line that this side reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum InputLine {
    /// Clear to send.
    Cts,
    /// Data set ready.
    Dsr,
}

impl OutputLine {
    fn name(self) -> &'static str {
        match self {
            OutputLine::Rts => "RTS",
            OutputLine::Dtr => "DTR",
        }
    }
}

impl InputLine {
    fn name(self) -> &'static str {
        match self {
            InputLine::Cts => "CTS",
            InputLine::Dsr => "DSR",
        }
    }
}

/// A port held for one line. Dropping it drops the line.
#[derive(Debug)]
pub struct ModemLine {
    path: String,
    port: TTYPort,
    line: OutputLine,
    feedback: Option<InputLine>,
}

impl ModemLine {
    /// Opens `path` exclusively, drives `line` down and sees that both lines work.
    ///
    /// # Errors
    /// `Open` when the port is missing, is no terminal, or has no such line, as a pseudo-terminal has none; `Busy`.
    pub fn open(path: &str, line: OutputLine, feedback: Option<InputLine>) -> Result<Self, LinkError> {
        if !Path::new(path).exists() {
            return Err(refuse(path, "there is no such port", ports_sentence()));
        }
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
        let fd = rustix::fs::open(path, flags, Mode::empty()).map_err(|errno| match errno {
            Errno::BUSY => busy(path),
            Errno::ACCESS | Errno::PERM => refuse(
                path,
                "this user may not open it",
                "join the group that owns the port (ls -l shows it, often dialout) and log in again",
            ),
            other => refuse(path, &std::io::Error::from(other).to_string(), ports_sentence()),
        })?;
        if !isatty(&fd) {
            return Err(refuse(path, "this is not a serial port", ports_sentence()));
        }
        let mut port = TTYPort::open(&serialport::new(path, 9600)).map_err(|error| match error.kind {
            serialport::ErrorKind::NoDevice => busy(path),
            _ => refuse(path, &error.description, "check that nothing else uses this port"),
        })?;
        // Down first, before anything else can fail.
        drive(&mut port, line, false).map_err(|why| missing(path, line.name(), "driven", &why))?;
        let mut modem = ModemLine { path: path.to_string(), port, line, feedback };
        modem.read()?;
        let hang_up = |errno| LinkError::from_errno(path, errno);
        let mut modes = tcgetattr(&fd).map_err(hang_up)?;
        modes.control_modes |= ControlModes::HUPCL;
        tcsetattr(&fd, OptionalActions::Now, &modes).map_err(hang_up)?;
        Ok(modem)
    }

    /// The port.
    pub fn path(&self) -> &str {
        &self.path
    }

    /// Drives the line up or down.
    ///
    /// # Errors
    /// `Open` when the port has no such line or is gone.
    pub fn drive(&mut self, up: bool) -> Result<(), LinkError> {
        drive(&mut self.port, self.line, up)
            .map_err(|why| missing(&self.path, self.line.name(), "driven", &why))
    }

    /// Whether the feedback line is up; none where there is none.
    ///
    /// # Errors
    /// `Open` when the port has no such line or is gone.
    pub fn read(&mut self) -> Result<Option<bool>, LinkError> {
        let Some(line) = self.feedback else { return Ok(None) };
        let read = match line {
            InputLine::Cts => self.port.read_clear_to_send(),
            InputLine::Dsr => self.port.read_data_set_ready(),
        };
        read.map(Some).map_err(|error| missing(&self.path, line.name(), "read", &error.description))
    }
}

fn drive(port: &mut TTYPort, line: OutputLine, up: bool) -> Result<(), String> {
    let driven = match line {
        OutputLine::Rts => port.write_request_to_send(up),
        OutputLine::Dtr => port.write_data_terminal_ready(up),
    };
    driven.map_err(|error| error.description)
}

fn missing(path: &str, line: &str, verb: &str, why: &str) -> LinkError {
    refuse(
        path,
        &format!("its {line} line cannot be {verb} ({why})"),
        "use a real serial port that has this line and is still plugged in; a pseudo-terminal has none",
    )
}

impl Drop for ModemLine {
    fn drop(&mut self) {
        // Explicitly, though the kernel would do it too: a driver may ignore HUPCL.
        if let Err(error) = self.drive(false) {
            tracing::error!(port = self.path, %error, "the line was not dropped");
        }
        if let Err(error) = self.port.set_exclusive(false) {
            tracing::debug!(port = self.path, %error, "the exclusive flag was not cleared");
        }
    }
}
