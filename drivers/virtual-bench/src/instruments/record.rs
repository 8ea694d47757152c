use std::sync::Arc;
use std::thread::{self, JoinHandle};

use super::stand::Compute;
use super::{FrontEnd, Quantity, mix};
use crate::converter::{Converter, ConverterError};
use crate::world::{Inputs, RawCapture, World};

/// How a record is to be taken; fixed when it starts.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    pub fs_hz: f64,
    pub samples: usize,
    /// Range of each channel, V peak.
    pub ranges_v: Vec<f64>,
    pub bits: u32,
    pub front_end: FrontEnd,
    pub seed: u64,
}

/// A complete record: converter codes of each channel.
#[derive(Debug)]
pub(crate) struct Record {
    pub codes: Vec<Vec<i32>>,
    pub plan: Arc<Plan>,
    /// Whether a channel met the end of its range.
    pub overrange: bool,
}

/// Why a record did not come about.
#[derive(Debug, thiserror::Error)]
pub(crate) enum RecordError {
    #[error(transparent)]
    Converter(#[from] ConverterError),
    #[error("the simulation of the record broke off")]
    Broken,
}

/// Of a record's thread, of 0 for everybody and 19 for those who come last.
const NICENESS: i32 = 10;

type Codes = Result<Vec<Vec<i32>>, ConverterError>;

enum Job {
    Thread(JoinHandle<Codes>),
    Done(Codes),
}

/// Samples `first..first + count` of the record, simulated on the settings that held then.
struct Piece {
    first: usize,
    count: usize,
    job: Job,
}

/// A record under way. A change of source, load or supply in its midst starts a further piece.
pub(crate) struct Running {
    plan: Arc<Plan>,
    start_s: f64,
    pieces: Vec<Piece>,
    compute: Compute,
}

impl Running {
    pub fn start(world: &World, plan: Plan, compute: Compute) -> Self {
        let mut running = Self { plan: Arc::new(plan), start_s: world.now_s(), pieces: Vec::new(), compute };
        running.push(world, 0);
        running
    }

    pub fn end_s(&self) -> f64 {
        self.start_s + self.plan.samples as f64 / self.plan.fs_hz
    }

    /// The bench has changed and is now `world`: what the record holds from this moment on is simulated again.
    pub fn changed(&mut self, world: &World) {
        let taken = ((world.now_s() - self.start_s) * self.plan.fs_hz - 1.0e-6).ceil().max(0.0) as usize;
        if taken >= self.plan.samples {
            return;
        }
        while self.pieces.last().is_some_and(|piece| piece.first >= taken) {
            self.pieces.pop();
        }
        if let Some(last) = self.pieces.last_mut() {
            last.count = taken - last.first;
        }
        self.push(world, taken);
    }

    fn push(&mut self, world: &World, first: usize) {
        let count = self.plan.samples - first;
        let start_s = self.start_s + first as f64 / self.plan.fs_hz;
        let piece_seed = mix(self.plan.seed, self.pieces.len() as u64);
        let mut simulate = {
            let (mut world, plan) = (world.clone(), Arc::clone(&self.plan));
            move || {
                world.reseed_noise(piece_seed);
                convert(&world.capture(start_s, plan.fs_hz, count), &plan, world.inputs(), piece_seed)
            }
        };
        let job = match self.compute {
            Compute::Inline => Job::Done(simulate()),
            Compute::Thread => match spawn(simulate.clone()) {
                Ok(handle) => Job::Thread(handle),
                Err(error) => {
                    tracing::warn!(%error, "no thread for a record; the digitizer's own one simulates it");
                    Job::Done(simulate())
                }
            },
        };
        self.pieces.push(Piece { first, count, job });
    }

    /// Whether time and simulation are both through at `now_s`.
    pub fn finished(&self, now_s: f64) -> bool {
        now_s >= self.end_s()
            && self.pieces.iter().all(|piece| match &piece.job {
                Job::Thread(handle) => handle.is_finished(),
                Job::Done(_) => true,
            })
    }

    /// Puts the pieces together; waits for what is still being simulated.
    pub fn assemble(self) -> Result<Record, RecordError> {
        let mut codes = vec![Vec::new(); self.plan.front_end.channels.len()];
        for piece in self.pieces {
            let part = match piece.job {
                Job::Done(part) => part?,
                Job::Thread(handle) => handle.join().map_err(|_| RecordError::Broken)??,
            };
            for (all, mut part) in codes.iter_mut().zip(part) {
                part.truncate(piece.count);
                if all.is_empty() {
                    *all = part;
                } else {
                    all.append(&mut part);
                }
            }
        }
        let top = (1_i32 << (self.plan.bits - 1)) - 1;
        let overrange = codes.iter().flatten().any(|code| *code >= top || *code < -top);
        Ok(Record { codes, plan: self.plan, overrange })
    }
}

/// A thread of its own for a record, behind whatever else wants the processor: it has all the time that the record covers,
/// and what the record is for must not wait for it.
fn spawn(mut simulate: impl FnMut() -> Codes + Send + 'static) -> std::io::Result<JoinHandle<Codes>> {
    thread::Builder::new().name("record".to_owned()).spawn(move || {
        // Of this thread alone, as Linux has it (setpriority(2)).
        if let Err(error) = rustix::process::setpriority_process(None, NICENESS) {
            tracing::debug!(%error, "a record is simulated with the precedence of everything else");
        }
        simulate()
    })
}

/// Front end and converter of every channel.
fn convert(raw: &RawCapture, plan: &Plan, inputs: &Inputs, seed: u64) -> Codes {
    let channels = plan.front_end.channels.iter().zip(&plan.ranges_v).enumerate();
    channels
        .map(|(index, (channel, range_v))| {
            let at = inputs.sensor_at(index);
            let sensor = plan.front_end.channels.get(at).unwrap_or(channel);
            let output = sensor.output as usize - 1;
            let side = match sensor.quantity {
                Quantity::Volts => raw.volts.get(output),
                Quantity::Amps => raw.amps.get(output),
            };
            let noise_v = plan.front_end.noise_ratio * range_v;
            let gain = 1.0 / sensor.true_per_volt();
            let seed = mix(seed, 200 + u64::from(channel.channel));
            let converter = Converter::new(*range_v, plan.bits, noise_v, seed)?;
            let input = side.map(Vec::as_slice).unwrap_or_default();
            if *inputs == Inputs::default() {
                return Ok(converter.with_error(gain, 0.0).convert(input).codes);
            }
            let mut volts: Vec<f64> = input.iter().map(|value| value * gain).collect();
            inputs.spoil(index, at, *range_v, &mut volts);
            Ok(converter.with_error(1.0, 0.0).convert(&volts).codes)
        })
        .collect()
}
