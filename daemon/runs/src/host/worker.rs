//! The script's own process: bounds itself, performs one script, asks the daemon for everything.

use std::io::{BufRead, BufReader, Read, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use rustix::process::{Resource, Rlimit, Signal, set_parent_process_death_signal, setrlimit};
use serde_json::Value;

use super::call::{Call, CallRefused, Caller};
use super::engine;
use super::printing::Printed;
use super::wire::{FromScript, ToScript};

/// Memory of its own that the process may take, bytes: what a script may need, and 16 MiB of stack.
const MEMORY_BYTES: u64 = 112 << 20;
/// Address space of the process, bytes: the program itself and what its allocator sets aside without using it come on top.
const ADDRESSES_BYTES: u64 = 1 << 30;
/// Processor time of the process, s: host calls take none of it.
const PROCESSOR_S: u64 = 300;
/// Stack of the script's thread: the engine recurses on it.
const STACK_BYTES: usize = 16 << 20;
/// Longest line from the daemon, bytes.
const LINE_MAX: u64 = 64 << 20;

struct Daemon {
    pipes: Mutex<Pipes>,
    over: AtomicBool,
}

struct Pipes {
    input: BufReader<Box<dyn Read + Send>>,
    output: Box<dyn Write + Send>,
}

impl Pipes {
    fn tell(&mut self, message: &FromScript) -> std::io::Result<()> {
        let mut line = serde_json::to_vec(message)?;
        line.push(b'\n');
        self.output.write_all(&line)?;
        self.output.flush()
    }

    fn hear(&mut self) -> std::io::Result<ToScript> {
        let mut line = Vec::new();
        (&mut self.input).take(LINE_MAX).read_until(b'\n', &mut line)?;
        Ok(serde_json::from_slice(&line)?)
    }
}

impl Daemon {
    fn gone(&self, error: &std::io::Error) -> CallRefused {
        self.over.store(true, Ordering::Release);
        CallRefused { message: format!("the daemon does not answer: {error}"), over: true }
    }

    fn exchange(&self, message: &FromScript) -> std::io::Result<ToScript> {
        let mut pipes = self.pipes.lock().unwrap_or_else(PoisonError::into_inner);
        pipes.tell(message)?;
        pipes.hear()
    }
}

impl Caller for Daemon {
    fn call(&self, call: &Call) -> Result<Value, CallRefused> {
        match self.exchange(&FromScript::Call(call.clone())) {
            Ok(ToScript::Answer(value)) => Ok(value),
            Ok(ToScript::Refused(refused)) => {
                self.over.fetch_or(refused.over, Ordering::AcqRel);
                Err(refused)
            }
            Ok(ToScript::Perform(_)) => Err(self.gone(&std::io::Error::other("it sent another script"))),
            Err(error) => Err(self.gone(&error)),
        }
    }

    fn print(&self, printed: &Printed) -> Result<(), CallRefused> {
        let mut pipes = self.pipes.lock().unwrap_or_else(PoisonError::into_inner);
        pipes.tell(&FromScript::Print(printed.clone())).map_err(|error| self.gone(&error))
    }

    fn is_over(&self) -> bool {
        self.over.load(Ordering::Acquire)
    }
}

/// Performs the one script that comes in on `input`, asking for everything on `output`.
///
/// # Errors
/// When the process can't be bounded or the daemon is gone; nothing was performed then, or the script has ended.
pub fn work(input: Box<dyn Read + Send>, output: Box<dyn Write + Send>) -> std::io::Result<()> {
    bound()?;
    let mut pipes = Pipes { input: BufReader::new(input), output };
    pipes.tell(&FromScript::Ready)?;
    let ToScript::Perform(script) = pipes.hear()? else {
        return Err(std::io::Error::other("the daemon sent no script"));
    };
    let daemon = Arc::new(Daemon { pipes: Mutex::new(pipes), over: AtomicBool::new(false) });
    let caller: Arc<dyn Caller> = Arc::clone(&daemon) as Arc<dyn Caller>;
    let builder = std::thread::Builder::new().name("script".into()).stack_size(STACK_BYTES);
    let thread = builder.spawn(move || engine::perform(&script, &caller))?;
    let performed = thread.join().map_err(|_| std::io::Error::other("the script's thread panicked"))?;
    let mut pipes = daemon.pipes.lock().unwrap_or_else(PoisonError::into_inner);
    pipes.tell(&FromScript::Ended(performed.err()))
}

/// What the engine's own bounds let through (natively mapped or sorted arrays, texts that grow) ends here: the kernel
/// refuses memory and files, and stops the process when its processor time is used up or the daemon dies.
fn bound() -> std::io::Result<()> {
    let limit =
        |resource, most: u64| setrlimit(resource, Rlimit { current: Some(most), maximum: Some(most) });
    set_parent_process_death_signal(Some(Signal::KILL))?;
    limit(Resource::Data, MEMORY_BYTES)?;
    limit(Resource::As, ADDRESSES_BYTES)?;
    limit(Resource::Cpu, PROCESSOR_S)?;
    limit(Resource::Fsize, 0)?;
    limit(Resource::Core, 0)?;
    // The pipes are open already; nothing else ever is.
    limit(Resource::Nofile, 3)?;
    Ok(())
}
