use std::os::fd::{AsFd, BorrowedFd, OwnedFd};

use rustix::fs::{Mode, OFlags, fcntl_getfl, fcntl_setfl};
use rustix::io::Errno;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{
    Action, InputModes, OptionalActions, QueueSelector, ioctl_tiocnxcl, tcflow, tcflush, tcgetattr, tcsetattr,
};

use super::{Role, ServeError};

/// A raw pseudo-terminal; the far side is the path that a controller opens.
#[derive(Debug)]
pub(crate) struct Terminal {
    master: OwnedFd,
    /// Held open so that a controller closing its side is no hang-up here, as on a real serial line.
    slave: OwnedFd,
    path: String,
}

impl Terminal {
    pub fn open(role: Role) -> Result<Self, ServeError> {
        let failed = |doing: &'static str| {
            move |errno: Errno| ServeError::Terminal {
                role,
                doing,
                remedy: "check that /dev/pts is mounted and the limit on open files (ulimit -n)",
                source: errno.into(),
            }
        };
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let master = openpt(flags).map_err(failed("opening one"))?;
        grantpt(&master).map_err(failed("granting access"))?;
        unlockpt(&master).map_err(failed("unlocking"))?;
        let name = ptsname(&master, Vec::new()).map_err(failed("asking for its name"))?;
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
        let slave = rustix::fs::open(&name, flags, Mode::empty()).map_err(failed("opening its far side"))?;
        let mut modes = tcgetattr(&slave).map_err(failed("reading its modes"))?;
        modes.make_raw();
        tcsetattr(&slave, OptionalActions::Now, &modes).map_err(failed("making it raw"))?;
        let flags = fcntl_getfl(&master).map_err(failed("reading its flags"))?;
        fcntl_setfl(&master, flags | OFlags::NONBLOCK).map_err(failed("making it non-blocking"))?;
        Ok(Self { master, slave, path: name.to_string_lossy().into_owned() })
    }

    pub fn path(&self) -> &str {
        &self.path
    }

    pub fn fd(&self) -> BorrowedFd<'_> {
        self.master.as_fd()
    }

    /// Reads what is there into `buf`; 0 when nothing is.
    pub fn read(&self, buf: &mut [u8]) -> std::io::Result<usize> {
        quiet(rustix::io::read(&self.master, buf))
    }

    /// Writes as much as fits; 0 when nothing does.
    pub fn write(&self, bytes: &[u8]) -> std::io::Result<usize> {
        quiet(rustix::io::write(&self.master, bytes))
    }

    /// Takes back the exclusive flag, which a controller that was killed leaves behind for as long as the
    /// terminal lives. Controllers keep one another out by their locks, which die with them.
    pub fn share(&self) -> std::io::Result<()> {
        Ok(ioctl_tiocnxcl(&self.slave)?)
    }

    /// The speed that the controller has set, baud; a pseudo-terminal keeps it, though bytes don't.
    pub fn baud(&self) -> std::io::Result<u32> {
        Ok(tcgetattr(&self.slave)?.output_speed())
    }

    /// Whether the controller's line stops at XOFF.
    pub fn heeds_xoff(&self) -> std::io::Result<bool> {
        Ok(tcgetattr(&self.slave)?.input_modes.contains(InputModes::IXON))
    }

    /// Takes no more bytes from the controller, or takes them again, as with flow control on a real line.
    pub fn block(&self, blocked: bool) -> std::io::Result<()> {
        Ok(tcflow(&self.slave, if blocked { Action::OOff } else { Action::OOn })?)
    }

    /// Forgets what was sent and nobody has read.
    pub fn lose_unread(&self) -> std::io::Result<()> {
        Ok(tcflush(&self.slave, QueueSelector::IFlush)?)
    }
}

fn quiet(result: Result<usize, Errno>) -> std::io::Result<usize> {
    match result {
        Err(Errno::AGAIN | Errno::INTR) => Ok(0),
        other => Ok(other?),
    }
}
