use std::sync::Arc;

use wattproof_scpi::samples::encode;
use wattproof_scpi::{ByteOrder, Call, Command, Instrument, SampleFormat, ScpiError};

use super::celsius::answer_celsius;
use super::device::Device;
use super::record::{Plan, Record};
use super::setting::{OPERATION_MEASURING, QUESTIONABLE_VOLTAGE, Span, channel};
use super::{BenchError, FrontEnd, Role, Stand, VirtualInstrument};

const POINTS: Span = Span { unit: "", min: 16.0, max: 1_000_000.0, default: 16_384.0 };
const INTERVAL_S: Span = Span { unit: "S", min: 1.0e-6, max: 1.0e-3, default: 5.0e-6 };
/// The sampling clock divides this down: intervals are whole numbers of its ticks, s.
const CLOCK_TICK_S: f64 = 10.0e-9;
/// Longest record, s.
const RECORD_S_MAX: f64 = 60.0;
/// Widths of the converter, bits.
const BITS: [u32; 3] = [12, 16, 24];

/// How samples go out; `None` is text.
type Format = Option<SampleFormat>;

struct Digitizer {
    stand: Arc<Stand>,
    now_s: f64,
    front_end: FrontEnd,
    points: f64,
    /// Ticks of the clock per sample.
    ticks: f64,
    ranges_v: Vec<f64>,
    bits: u32,
    format: Format,
    order: ByteOrder,
    running: bool,
    record: Option<Record>,
    /// Why the last record did not come about.
    failure: Option<String>,
}

pub(crate) fn instrument(
    stand: Arc<Stand>,
    front_end: &FrontEnd,
    seed: u64,
) -> Result<VirtualInstrument, BenchError> {
    let mut digitizer = Digitizer {
        stand,
        now_s: 0.0,
        front_end: front_end.clone(),
        points: 0.0,
        ticks: 0.0,
        ranges_v: Vec::new(),
        bits: front_end.bits,
        format: None,
        order: ByteOrder::Big,
        running: false,
        record: None,
        failure: None,
    };
    digitizer.reset();
    let mut commands = sweep_commands();
    commands.extend(input_commands());
    commands.extend(format_commands());
    commands.extend(record_commands());
    VirtualInstrument::new(Role::Digitizer, seed, digitizer, commands)
}

fn sweep_commands() -> Vec<Command<Digitizer>> {
    vec![
        Command::new("[SENSe#:]SWEep:POINts", 1..=1, |d: &mut Digitizer, c| {
            let points = POINTS.take(c)?.round();
            d.unlock()?.points = points;
            Ok(())
        }),
        Command::new("[SENSe#:]SWEep:POINts?", 0..=1, |d: &mut Digitizer, c| {
            POINTS.answer_whole(c, d.points)
        }),
        Command::new("[SENSe#:]SWEep:TINTerval", 1..=1, |d: &mut Digitizer, c| {
            let ticks = (INTERVAL_S.take(c)? / CLOCK_TICK_S).round();
            d.unlock()?.ticks = ticks;
            Ok(())
        }),
        Command::new("[SENSe#:]SWEep:TINTerval?", 0..=1, |d: &mut Digitizer, c| {
            INTERVAL_S.answer(c, d.interval_s())
        }),
    ]
}

fn input_commands() -> Vec<Command<Digitizer>> {
    vec![
        // Its own board, warmer than the room by what it uses.
        Command::new("MEASure[:SCALar]:TEMPerature?", 0..=1, |d: &mut Digitizer, c| {
            answer_celsius(c, d.channels(), |_| d.stand.look(d.now_s, crate::World::ambient_c) + 11.0)
        }),
        Command::new("[SENSe#:]VOLTage[:DC]:RANGe[:UPPer]", 1..=1, |d: &mut Digitizer, c| {
            let index = channel(c, d.channels())?;
            let span = d.range_span();
            let asked = c.param(0)?.numeric(span.unit)?.within(0.0..=span.max, span.default)?;
            let range_v = d.front_end.range_for(asked).unwrap_or(span.max);
            if let Some(range) = d.unlock()?.ranges_v.get_mut(index) {
                *range = range_v;
            }
            Ok(())
        }),
        Command::new("[SENSe#:]VOLTage[:DC]:RANGe[:UPPer]?", 0..=1, |d: &mut Digitizer, c| {
            let index = channel(c, d.channels())?;
            let range_v = d.ranges_v.get(index).copied().ok_or_else(|| ScpiError::new(-114))?;
            d.range_span().answer(c, range_v)
        }),
        Command::new("[SENSe#:]VOLTage[:DC]:RESolution:BITS", 1..=1, |d: &mut Digitizer, c| {
            let asked = c.param(0)?.integer(0..=64)?;
            let bits = BITS.into_iter().find(|bits| i64::from(*bits) == asked);
            let bits = bits.ok_or_else(|| ScpiError::out_of_range("the converter has 12, 16 or 24 bits"))?;
            d.unlock()?.bits = bits;
            Ok(())
        }),
        Command::new("[SENSe#:]VOLTage[:DC]:RESolution:BITS?", 0..=0, |d: &mut Digitizer, c| {
            c.reply.nr1(d.bits.into());
            Ok(())
        }),
    ]
}

fn format_commands() -> Vec<Command<Digitizer>> {
    vec![
        Command::new("FORMat[:DATA]", 1..=2, |d: &mut Digitizer, c| {
            let kind = c.param(0)?.choice(&["ASCii", "INTeger", "REAL"])?;
            let bits = c.optional(1).map(|p| p.integer(0..=64)).transpose()?;
            d.format = match (kind, bits) {
                (0, _) => None,
                (1, Some(16)) => Some(SampleFormat::Int16),
                (1, Some(32) | None) => Some(SampleFormat::Int32),
                (2, Some(32) | None) => Some(SampleFormat::Real32),
                (2, Some(64)) => Some(SampleFormat::Real64),
                _ => {
                    let info = "the formats are ASC, INT,16, INT,32, REAL,32 and REAL,64";
                    return Err(ScpiError::with_info(-224, info));
                }
            };
            Ok(())
        }),
        Command::new("FORMat[:DATA]?", 0..=0, |d: &mut Digitizer, c| {
            c.reply.word(match d.format {
                None => "ASC,0",
                Some(SampleFormat::Int16) => "INT,16",
                Some(SampleFormat::Int32) => "INT,32",
                Some(SampleFormat::Real32) => "REAL,32",
                Some(SampleFormat::Real64) => "REAL,64",
            });
            Ok(())
        }),
        Command::new("FORMat:BORDer", 1..=1, |d: &mut Digitizer, c| {
            let swapped = c.param(0)?.choice(&["NORMal", "SWAPped"])? == 1;
            d.order = if swapped { ByteOrder::Little } else { ByteOrder::Big };
            Ok(())
        }),
        Command::new("FORMat:BORDer?", 0..=0, |d: &mut Digitizer, c| {
            c.reply.word(if d.order == ByteOrder::Big { "NORM" } else { "SWAP" });
            Ok(())
        }),
    ]
}

fn record_commands() -> Vec<Command<Digitizer>> {
    vec![
        Command::new("INITiate[:IMMediate]", 0..=0, |d: &mut Digitizer, _| d.start()),
        Command::new("ABORt", 0..=0, |d: &mut Digitizer, _| {
            d.abort();
            Ok(())
        }),
        Command::new("FETCh?", 0..=1, |d: &mut Digitizer, c| d.fetch(c)),
    ]
}

impl Digitizer {
    /// Inputs it has.
    fn channels(&self) -> u32 {
        u32::try_from(self.front_end.channels.len()).unwrap_or(u32::MAX)
    }

    fn interval_s(&self) -> f64 {
        self.ticks * CLOCK_TICK_S
    }

    fn range_span(&self) -> Span {
        let first = self.front_end.ranges_v.first().copied().unwrap_or(1.0);
        let last = self.front_end.ranges_v.last().copied().unwrap_or(first);
        Span { unit: "V", min: first, max: last, default: last }
    }

    /// Allows a setting to change: not in the midst of a record. The record at hand no longer fits the
    /// settings a controller reads back, so it goes.
    fn unlock(&mut self) -> Result<&mut Self, ScpiError> {
        if self.running {
            return Err(ScpiError::settings_conflict("a record is being taken, ABOR first"));
        }
        self.record = None;
        Ok(self)
    }

    fn start(&mut self) -> Result<(), ScpiError> {
        if self.running {
            return Err(ScpiError::with_info(-213, "a record is being taken"));
        }
        if self.points * self.interval_s() > RECORD_S_MAX {
            let info = format!("a record may last {RECORD_S_MAX} s, fewer points or a shorter interval");
            return Err(ScpiError::settings_conflict(info));
        }
        let plan = Plan {
            fs_hz: 1.0 / self.interval_s(),
            // Between 16 and a million by its span.
            samples: self.points as usize,
            ranges_v: self.ranges_v.clone(),
            bits: self.bits,
            front_end: self.front_end.clone(),
            seed: 0,
        };
        self.record = None;
        self.failure = None;
        self.running = true;
        self.stand.begin(self.now_s, plan);
        Ok(())
    }

    fn abort(&mut self) {
        self.running = false;
        self.stand.abort();
    }

    fn fetch(&self, call: &mut Call<'_>) -> Result<(), ScpiError> {
        let wanted = match call.optional(0) {
            Some(list) => list.channels(1..=self.channels())?,
            None => (1..=self.channels()).collect(),
        };
        if wanted.is_empty() {
            return Err(ScpiError::out_of_range("the channel list is empty"));
        }
        if self.running {
            return Err(ScpiError::with_info(-230, "the record is not complete, ask *OPC? first"));
        }
        let Some(record) = &self.record else {
            return Err(match &self.failure {
                Some(why) => ScpiError::with_info(-240, why.as_str()),
                None => ScpiError::with_info(-230, "there is no record for these settings, INIT first"),
            });
        };
        match self.format {
            None => {
                for channel in wanted {
                    record.volts(channel).for_each(|v| call.reply.nr3(v));
                }
                Ok(())
            }
            Some(format) => self.fetch_block(call, record, &wanted, format),
        }
    }

    fn fetch_block(
        &self,
        call: &mut Call<'_>,
        record: &Record,
        wanted: &[u32],
        format: SampleFormat,
    ) -> Result<(), ScpiError> {
        let length_bytes = wanted.len() * record.plan.samples * format.bytes();
        let mut result = Ok(());
        let mut values = Vec::with_capacity(record.plan.samples);
        call.reply.block_with(length_bytes, |bytes| {
            for channel in wanted {
                values.clear();
                match format {
                    SampleFormat::Int16 => values.extend(record.integers(*channel, 16)),
                    SampleFormat::Int32 => values.extend(record.integers(*channel, 32)),
                    SampleFormat::Real32 | SampleFormat::Real64 => values.extend(record.volts(*channel)),
                }
                if result.is_ok() {
                    result = encode(&values, format, self.order, bytes);
                }
            }
        })?;
        result.map_err(|error| ScpiError::with_info(-310, error.to_string()))
    }
}

impl Record {
    fn channel(&self, channel: u32) -> (&[i32], f64) {
        let index = channel as usize - 1;
        let codes = self.codes.get(index).map(Vec::as_slice).unwrap_or_default();
        (codes, self.plan.ranges_v.get(index).copied().unwrap_or(1.0))
    }

    /// Volts at the converter's input.
    fn volts(&self, channel: u32) -> impl Iterator<Item = f64> {
        let (codes, range_v) = self.channel(channel);
        let step_v = range_v / f64::from(1_u32 << (self.plan.bits - 1));
        codes.iter().map(move |code| f64::from(*code) * step_v)
    }

    /// Codes with full scale at 2^(`bits`−1), as `FORMat INTeger` sends them. A narrower format than the
    /// converter rounds; the topmost code is held within it.
    fn integers(&self, channel: u32, bits: u32) -> impl Iterator<Item = f64> {
        let (codes, _) = self.channel(channel);
        let scale = 2.0_f64.powi(bits as i32 - self.plan.bits as i32);
        let top = 2.0_f64.powi(bits as i32 - 1) - 1.0;
        let rounds = scale < 1.0;
        codes.iter().map(move |code| {
            let scaled = f64::from(*code) * scale;
            if rounds { scaled.round().min(top) } else { scaled }
        })
    }
}

impl Device for Digitizer {
    fn at(&mut self, now_s: f64) {
        self.now_s = now_s;
        if !self.running {
            return;
        }
        match self.stand.collect(now_s) {
            None => return,
            Some(Ok(record)) => self.record = Some(record),
            Some(Err(error)) => self.failure = Some(error.to_string()),
        }
        self.running = false;
    }

    fn due_s(&self) -> Option<f64> {
        self.stand.ends_s()
    }
}

impl Instrument for Digitizer {
    fn reset(&mut self) {
        self.abort();
        self.record = None;
        self.failure = None;
        self.points = POINTS.default;
        self.ticks = (INTERVAL_S.default / CLOCK_TICK_S).round();
        self.ranges_v = vec![self.range_span().default; self.front_end.channels.len()];
        self.bits = self.front_end.bits;
        self.format = Some(SampleFormat::Int32);
        self.order = ByteOrder::Big;
    }

    fn pending(&self) -> bool {
        self.running
    }

    fn operation(&self) -> u16 {
        if self.running { OPERATION_MEASURING } else { 0 }
    }

    fn questionable(&self) -> u16 {
        let over = self.record.as_ref().is_some_and(|record| record.overrange);
        if over { QUESTIONABLE_VOLTAGE } else { 0 }
    }
}
