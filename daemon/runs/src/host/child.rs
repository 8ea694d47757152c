//! The daemon's hold on the script's process: starts it, answers it, ends it.

use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::process::CommandExt;
use std::path::PathBuf;
use std::process::{Child, ChildStdin, Command, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::{Duration, Instant};

use super::answering::Host;
use super::call::Script;
use super::wire::{FromScript, ToScript};
use super::{Stopping, outcome};
use crate::{RunError, ScriptFault};

/// Longest line from a script's process, bytes.
const LINE_MAX: u64 = 4 << 20;
/// How long a script may compute between two calls, s.
const SILENT_S: f64 = 20.0;
/// How often a stop is looked for while the script computes.
const LOOK: Duration = Duration::from_millis(20);

/// How the script's process is started: a program that calls [`super::work`] on its standard input and output.
#[derive(Debug, Clone)]
pub struct WorkerProgram {
    /// The program.
    pub path: PathBuf,
    /// What makes it a script's process.
    pub arguments: Vec<String>,
}

/// Runs a script in a process of its own against a host; gives the host back with how it went. The process is gone when
/// this returns.
pub fn perform_in_child(
    program: &WorkerProgram,
    script: &Script,
    mut host: Host,
    stopping: &Stopping,
) -> (Host, Result<(), RunError>) {
    let performed = start(program).and_then(|mut worker| {
        let performed = converse(&mut worker, script, &mut host, stopping);
        worker.end();
        performed
    });
    let outcome = performed.and_then(|performed| outcome(&mut host, performed));
    // A failed call explains more than the process that ended for it.
    let outcome = match outcome {
        Err(RunError::Worker(said)) => Err(host.take_failure().unwrap_or(RunError::Worker(said))),
        other => other,
    };
    (host, outcome)
}

struct Worker {
    child: Child,
    input: ChildStdin,
    heard: Receiver<std::io::Result<FromScript>>,
}

fn start(program: &WorkerProgram) -> Result<Worker, RunError> {
    let wrap = |error: std::io::Error| RunError::Worker(format!("{}: {error}", program.path.display()));
    let mut child = Command::new(&program.path)
        .args(&program.arguments)
        .env_clear()
        // Ctrl-C reaches the daemon, which then ends the script in order.
        .process_group(0)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .map_err(wrap)?;
    let missing = || wrap(std::io::Error::other("no pipe"));
    let input = child.stdin.take().ok_or_else(missing)?;
    let output = child.stdout.take().ok_or_else(missing)?;
    let (report, heard) = sync_channel(1);
    std::thread::Builder::new()
        .name("script's voice".into())
        .spawn(move || {
            let mut output = BufReader::new(output);
            loop {
                let mut line = Vec::new();
                let read = (&mut output).take(LINE_MAX).read_until(b'\n', &mut line);
                let message = match read {
                    Ok(0) => return,
                    Ok(_) => serde_json::from_slice(&line).map_err(std::io::Error::from),
                    Err(error) => Err(error),
                };
                let last = message.is_err();
                if report.send(message).is_err() || last {
                    return;
                }
            }
        })
        .map_err(wrap)?;
    Ok(Worker { child, input, heard })
}

fn converse(
    worker: &mut Worker,
    script: &Script,
    host: &mut Host,
    stopping: &Stopping,
) -> Result<Result<(), Box<ScriptFault>>, RunError> {
    loop {
        match worker.hear(stopping)? {
            FromScript::Ready => worker.tell(&ToScript::Perform(script.clone()))?,
            FromScript::Print(printed) => {
                if host.print(&printed).is_err() {
                    return Err(RunError::Worker("it was ended for what it printed".into()));
                }
            }
            FromScript::Call(call) => {
                let answer = match host.answer(&call) {
                    Ok(value) => ToScript::Answer(value),
                    Err(refused) => ToScript::Refused(refused),
                };
                worker.tell(&answer)?;
            }
            FromScript::Ended(fault) => return Ok(fault.map_or(Ok(()), Err)),
        }
    }
}

impl Worker {
    fn tell(&mut self, message: &ToScript) -> Result<(), RunError> {
        let mut line = serde_json::to_vec(message).map_err(|error| RunError::Worker(error.to_string()))?;
        line.push(b'\n');
        self.input.write_all(&line).and_then(|()| self.input.flush()).map_err(|_| self.died())
    }

    fn hear(&mut self, stopping: &Stopping) -> Result<FromScript, RunError> {
        let until = Instant::now() + Duration::from_secs_f64(SILENT_S);
        loop {
            match self.heard.recv_timeout(LOOK) {
                Ok(Ok(message)) => return Ok(message),
                Ok(Err(error)) => {
                    return Err(RunError::Worker(format!("it said what makes no sense: {error}")));
                }
                Err(RecvTimeoutError::Disconnected) => return Err(self.died()),
                Err(RecvTimeoutError::Timeout) if stopping.is_stopped() => {
                    return Err(RunError::Worker("it was ended by a stop".into()));
                }
                Err(RecvTimeoutError::Timeout) if Instant::now() >= until => {
                    return Err(RunError::Worker(format!(
                        "the script computed for {SILENT_S} s without a call: look for a loop that never ends"
                    )));
                }
                Err(RecvTimeoutError::Timeout) => {}
            }
        }
    }

    /// Why it fell silent.
    fn died(&mut self) -> RunError {
        let until = Instant::now() + Duration::from_millis(500);
        let status = loop {
            match self.child.try_wait() {
                Ok(None) if Instant::now() < until => std::thread::sleep(Duration::from_millis(5)),
                Ok(status) => break status,
                Err(_) => break None,
            }
        };
        RunError::Worker(match status {
            Some(status) => format!("it ended before the script did ({}){}", status, hint(status)),
            None => "it closed its pipes before the script ended".into(),
        })
    }

    fn end(&mut self) {
        if let Err(error) = self.child.kill().and_then(|()| self.child.wait().map(drop)) {
            tracing::warn!(%error, "the script's process was not ended");
        }
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        self.end();
    }
}

fn hint(status: ExitStatus) -> &'static str {
    use std::os::unix::process::ExitStatusExt;
    match status.signal() {
        // SIGABRT, as an allocation that fails ends; SIGXCPU; SIGSEGV, as an exhausted stack ends.
        Some(6) => ": it took too much memory, keep less in the script, the record keeps every step anyway",
        Some(24) => ": it used up its processor time, look for a loop that never ends",
        Some(11) => ": its stack was exhausted, look for a recursion that never ends",
        _ => "",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fault 52: a script's process that was taken over says what it likes; a line of any length or depth costs the daemon
    /// no more than the longest that counts, and ends the run.
    #[test]
    fn fault_52_a_line_that_is_huge_or_deep_is_no_message() {
        let deep = r#"printf '{"call":{"name":"a","line":1,"arguments":'; head -c 100000 /dev/zero | tr '\0' '['; echo"#;
        let words = r#"printf '"'; head -c 300000000 /dev/zero | tr '\0' x; echo '"'"#;
        for says in ["head -c 300000000 /dev/zero", deep, words, "echo '{\"print\":'"] {
            let program = WorkerProgram { path: "/bin/sh".into(), arguments: vec!["-c".into(), says.into()] };
            let mut worker = start(&program).unwrap();
            let heard = worker.hear(&Stopping::never());
            assert!(
                matches!(&heard, Err(RunError::Worker(said)) if said.contains("no sense")),
                "{says}: {heard:?}"
            );
        }
    }
}
