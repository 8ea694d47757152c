//! A serial port, or a pseudo-terminal standing in for one.
//!
//! Two descriptors of the same terminal: the serialport crate opens one, locks it and sets it up; bytes go
//! through another, non-blocking, so that a read can be polled together with a canceller (a read of the
//! first cannot be interrupted, and may lose bytes at a time-out or a hang-up).

use std::os::fd::BorrowedFd;
use std::path::Path;
use std::time::Duration;

use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;
use rustix::termios::{QueueSelector, isatty, tcflush};
use serde::{Deserialize, Serialize};
use serialport::{ErrorKind, SerialPort, TTYPort};

use crate::channel::Channel;
use crate::ports::ports_sentence;
use crate::{Canceller, Link, LinkError};

/// What to do about settings that a port does not take.
const SETTINGS_REMEDY: &str = "check the baud rate and the frame settings of this port";

/// Parity bit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Parity {
    /// No parity bit.
    #[default]
    None,
    /// Odd parity.
    Odd,
    /// Even parity.
    Even,
}

/// Flow control.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Flow {
    /// None.
    #[default]
    None,
    /// XON/XOFF characters. Unfit for binary blocks, which may contain them.
    Software,
    /// RTS/CTS lines.
    Hardware,
}

/// How the port is set up when it is opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SerialSettings {
    /// Symbols per second.
    pub baud: u32,
    /// Data bits, 5 to 8.
    pub data_bits: u8,
    /// Parity bit.
    pub parity: Parity,
    /// Stop bits, 1 or 2.
    pub stop_bits: u8,
    /// Flow control.
    pub flow: Flow,
    /// Level to drive DTR to after opening. None leaves it as the driver does.
    pub dtr_at_open: Option<bool>,
    /// Level to drive RTS to after opening. None leaves it as the driver does.
    pub rts_at_open: Option<bool>,
}

impl Default for SerialSettings {
    /// 115200 baud, 8 data bits, no parity, 1 stop bit, no flow control.
    fn default() -> Self {
        SerialSettings {
            baud: 115_200,
            data_bits: 8,
            parity: Parity::None,
            stop_bits: 1,
            flow: Flow::None,
            dtr_at_open: None,
            rts_at_open: None,
        }
    }
}

/// An open serial port, held exclusively.
#[derive(Debug)]
pub struct SerialLink {
    channel: Channel,
    /// Holds the lock and the exclusive flag; no byte goes through it.
    keeper: TTYPort,
}

impl SerialLink {
    /// Opens `path` exclusively, raw, with `settings`; throws away what lay in its buffers.
    ///
    /// # Errors
    /// `Open` when it is missing (the ports there are get listed), not permitted, not a terminal or cannot
    /// take the settings; `Busy` when another program holds it.
    pub fn open(path: &str, settings: &SerialSettings) -> Result<SerialLink, LinkError> {
        if !Path::new(path).exists() {
            return Err(refuse(path, "there is no such port", ports_sentence()));
        }
        let line = Line::of(path, settings)?;
        let builder = line.builder(path);
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
        let mut keeper = TTYPort::open(&builder).map_err(|error| match error.kind {
            ErrorKind::NoDevice => busy(path),
            _ => refuse(path, &error.description, SETTINGS_REMEDY),
        })?;
        drive_lines(path, &mut keeper, settings)?;
        tcflush(&fd, QueueSelector::IOFlush).map_err(|errno| LinkError::from_errno(path, errno))?;
        Ok(SerialLink { channel: Channel::new(path.to_string(), fd)?, keeper })
    }
}

impl Drop for SerialLink {
    fn drop(&mut self) {
        // The exclusive flag belongs to the terminal, not to the descriptor: a pseudo-terminal whose other
        // end lives on would stay busy for ever. A port that is gone has no flag to clear.
        if let Err(error) = self.keeper.set_exclusive(false) {
            tracing::debug!(port = self.channel.label(), %error, "the exclusive flag was not cleared");
        }
    }
}

impl Link for SerialLink {
    fn label(&self) -> &str {
        self.channel.label()
    }
    fn now(&self) -> Duration {
        self.channel.now()
    }
    fn send(&mut self, bytes: &[u8], deadline: Duration) -> Result<(), LinkError> {
        self.channel.send(bytes, deadline)
    }
    fn send_if(
        &mut self,
        bytes: &[u8],
        deadline: Duration,
        may: &mut dyn FnMut() -> bool,
    ) -> Result<(), LinkError> {
        self.channel.send_if(bytes, deadline, may)
    }
    fn receive(&mut self, buf: &mut [u8], deadline: Duration) -> Result<usize, LinkError> {
        self.channel.receive(buf, deadline)
    }
    fn abandon(&mut self) -> Result<(), LinkError> {
        tcflush(self.channel.fd(), QueueSelector::OFlush)
            .map_err(|errno| LinkError::from_errno(self.channel.label(), errno))
    }
    fn tune(&mut self, settings: &SerialSettings) -> Result<(), LinkError> {
        let path = self.channel.label().to_string();
        Line::of(&path, settings)?
            .set(&mut self.keeper)
            .map_err(|error| refuse(&path, &error.description, SETTINGS_REMEDY))
    }
    fn canceller(&self) -> Canceller {
        self.channel.canceller()
    }
    fn descriptor(&self) -> Option<BorrowedFd<'_>> {
        Some(self.channel.fd())
    }
}

pub(crate) fn refuse(path: &str, reason: &str, remedy: impl Into<String>) -> LinkError {
    LinkError::Open { port: path.to_string(), reason: reason.to_string(), remedy: remedy.into() }
}

pub(crate) fn busy(path: &str) -> LinkError {
    LinkError::Busy {
        port: path.to_string(),
        reason: "another program holds this port".to_string(),
        remedy: "close it, or find it with `fuser -v` and the port".to_string(),
    }
}

/// Line settings in the words of the serialport crate.
struct Line {
    baud: u32,
    data_bits: serialport::DataBits,
    stop_bits: serialport::StopBits,
    parity: serialport::Parity,
    flow: serialport::FlowControl,
}

impl Line {
    fn of(path: &str, settings: &SerialSettings) -> Result<Line, LinkError> {
        let data_bits = serialport::DataBits::try_from(settings.data_bits)
            .map_err(|()| refuse(path, &format!("{} data bits", settings.data_bits), "set 5, 6, 7 or 8"))?;
        let stop_bits = serialport::StopBits::try_from(settings.stop_bits)
            .map_err(|()| refuse(path, &format!("{} stop bits", settings.stop_bits), "set 1 or 2"))?;
        if settings.baud == 0 {
            return Err(refuse(
                path,
                "a baud rate of 0",
                "set the rate the instrument shows, such as 9600 or 115200",
            ));
        }
        let parity = match settings.parity {
            Parity::None => serialport::Parity::None,
            Parity::Odd => serialport::Parity::Odd,
            Parity::Even => serialport::Parity::Even,
        };
        let flow = match settings.flow {
            Flow::None => serialport::FlowControl::None,
            Flow::Software => serialport::FlowControl::Software,
            Flow::Hardware => serialport::FlowControl::Hardware,
        };
        Ok(Line { baud: settings.baud, data_bits, stop_bits, parity, flow })
    }

    fn builder(&self, path: &str) -> serialport::SerialPortBuilder {
        serialport::new(path, self.baud)
            .data_bits(self.data_bits)
            .stop_bits(self.stop_bits)
            .parity(self.parity)
            .flow_control(self.flow)
    }

    fn set(&self, port: &mut TTYPort) -> Result<(), serialport::Error> {
        port.set_baud_rate(self.baud)?;
        port.set_data_bits(self.data_bits)?;
        port.set_stop_bits(self.stop_bits)?;
        port.set_parity(self.parity)?;
        port.set_flow_control(self.flow)
    }
}

/// Drives DTR and RTS where asked. A pseudo-terminal has no such lines, so asking there is an error.
fn drive_lines(path: &str, port: &mut TTYPort, settings: &SerialSettings) -> Result<(), LinkError> {
    let remedy = "leave out the setting where the port has no such line";
    if let Some(level) = settings.dtr_at_open {
        port.write_data_terminal_ready(level)
            .map_err(|error| refuse(path, &format!("DTR cannot be driven: {}", error.description), remedy))?;
    }
    if let Some(level) = settings.rts_at_open {
        port.write_request_to_send(level)
            .map_err(|error| refuse(path, &format!("RTS cannot be driven: {}", error.description), remedy))?;
    }
    Ok(())
}
