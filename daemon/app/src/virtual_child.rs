//! The virtual bench in a process of its own, for commands that need one.

use std::io::{BufRead, BufReader};
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Child, Command, Stdio};

use crate::failure::Failure;
use crate::virtual_bench::READY;

/// The serving process; ends when dropped, and by itself when this process dies and its input closes.
pub struct VirtualChild(Child);

impl VirtualChild {
    /// Serves an invented amplifier on a bench of that name, and writes bench file and nameplate.
    pub fn start(
        name: &str,
        amplifier: &str,
        seed: u64,
        bench: &Path,
        plate: &Path,
    ) -> Result<Self, Failure> {
        let wrap = |source| Failure::System { what: "starting the virtual bench", source };
        let mut child = Command::new(std::env::current_exe().map_err(wrap)?)
            .args(["virtual-bench", "--until-stdin-closes", "--amplifier", amplifier])
            .args(["--name", name, "--seed", &seed.to_string()])
            .arg("--write-bench")
            .arg(bench)
            .arg("--write-nameplate")
            .arg(plate)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            // A group of its own: Ctrl-C must reach this process, which then switches the bench off in order.
            .process_group(0)
            .spawn()
            .map_err(wrap)?;
        let output = child.stdout.take();
        let serving = VirtualChild(child);
        let mut lines =
            BufReader::new(output.ok_or_else(|| wrap(std::io::Error::other("no output")))?).lines();
        match lines.find(|line| line.as_ref().is_ok_and(|line| line.starts_with(READY))) {
            Some(_) => Ok(serving),
            // The child has said why on standard error.
            None => Err(Failure::Said("the virtual bench did not start".into())),
        }
    }
}

impl Drop for VirtualChild {
    fn drop(&mut self) {
        drop(self.0.stdin.take());
        if let Err(error) = self.0.kill().and_then(|()| self.0.wait()) {
            tracing::warn!("the virtual bench was not ended: {error}");
        }
    }
}
