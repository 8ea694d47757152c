//! A sampling digitizer.

use std::time::Duration;

use wattproof_link::Link;

use crate::dialect::Dialect;
use crate::error::InstrumentError;
use crate::instrument::{Instrument, at, shares_instrument};
use crate::role::Role;
use crate::samples::{
    ByteOrder, SampleFormat, Samples, format_named, format_word, order_named, order_word, volts_per_unit,
};
use crate::template::Value;

/// What to record.
#[derive(Debug, Clone, PartialEq)]
pub struct Acquisition {
    /// Samples per channel.
    pub points: u32,
    /// Time between samples, s.
    pub interval_s: f64,
    /// Channels to record, in the order in which they are wanted.
    pub channels: Vec<ChannelRange>,
    /// How samples travel; None takes the dialect's default.
    pub format: Option<SampleFormat>,
    /// Byte order of a sample; None takes the dialect's default.
    pub order: Option<ByteOrder>,
}

/// One channel to record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChannelRange {
    /// Channel, from 1.
    pub channel: u32,
    /// Highest voltage expected at the converter's input, V peak.
    pub range_v: f64,
}

/// What the instrument made of an [`Acquisition`].
#[derive(Debug, Clone, PartialEq)]
pub struct Prepared {
    /// Samples per channel.
    pub points: u32,
    /// Time between samples, s, as read back.
    pub interval_s: f64,
    /// Channels recorded, each with the range read back.
    pub channels: Vec<ChannelRange>,
    /// How samples travel.
    pub format: SampleFormat,
    /// Byte order of a sample.
    pub order: ByteOrder,
}

/// A complete record.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// Time between samples, s.
    pub interval_s: f64,
    /// Volts at the converter's input: one list per channel, in the order asked for.
    pub channels_v: Vec<Vec<f64>>,
    /// Full scale of each of them, V peak: a sample there was cut off by the converter.
    pub full_scale_v: Vec<f64>,
}

/// A sampling digitizer. Channels count from 1.
#[derive(Debug)]
pub struct Digitizer {
    instrument: Instrument,
    samples: Samples,
    prepared: Option<Prepared>,
}

shares_instrument!(Digitizer);

impl Digitizer {
    /// Identifies what is on the link.
    ///
    /// # Errors
    /// Link failures, an answer that is no identity, a dialect of another role, reported errors.
    pub fn over(link: Box<dyn Link>, dialect: &Dialect, name: &str) -> Result<Digitizer, InstrumentError> {
        let instrument = Instrument::begin(link, Role::Digitizer, dialect, name)?;
        let Some(samples) = dialect.samples.clone() else {
            return Err(instrument.refuse(format!("dialect `{}` has no [samples]", dialect.name)));
        };
        Ok(Digitizer { instrument, samples, prepared: None })
    }

    /// How many channels it has.
    pub fn channels(&self) -> u32 {
        self.instrument.dialect().channels
    }

    /// What the last [`Digitizer::configure`] led to.
    pub fn prepared(&self) -> Option<&Prepared> {
        self.prepared.as_ref()
    }

    /// Sets points, interval, ranges and format, and reads back what the instrument made of them.
    ///
    /// # Errors
    /// `BadRequest` for no points, no channel, one twice, or a format the dialect lacks; `NotTaken` when a range
    /// reads back smaller than asked or the interval differs by more than the dialect allows; link failures;
    /// reported errors.
    pub fn configure(&mut self, wanted: &Acquisition) -> Result<Prepared, InstrumentError> {
        self.prepared = None;
        let (format, order) = self.formats(wanted)?;
        self.examine(wanted)?;
        if let Some(word) = self.samples.formats.get(format_word(format)).cloned()
            && self.instrument.dialect().can("set_format")
        {
            self.instrument.tell("set_format", &[("format", Value::Word(word))])?;
        }
        if let Some(word) = self.samples.orders.get(order_word(order)).cloned()
            && self.instrument.dialect().can("set_byte_order")
        {
            self.instrument.tell("set_byte_order", &[("order", Value::Word(word))])?;
        }
        self.instrument.tell("set_points", &[("points", Value::Count(wanted.points))])?;
        let found = self.instrument.number("get_points", &[])?;
        if found != f64::from(wanted.points) {
            return Err(self.instrument.not_taken(format!("{} points", wanted.points), found.to_string()));
        }
        self.instrument.tell("set_interval_s", &[("interval_s", Value::Number(wanted.interval_s))])?;
        let interval_s = self.instrument.number("get_interval_s", &[])?;
        if interval_s <= 0.0 {
            let asked = format!("an interval of {} s", wanted.interval_s);
            return Err(self.instrument.not_taken(asked, interval_s.to_string()));
        }
        let mut channels = Vec::new();
        for one in &wanted.channels {
            let values = [at(one.channel), ("volts", Value::Number(one.range_v))];
            self.instrument.tell("set_range_v", &values)?;
            let range_v = self.instrument.number("get_range_v", &[at(one.channel)])?;
            // Rounding of the read-back may take a little off.
            if range_v < one.range_v * (1.0 - 1e-6) {
                let asked = format!("a range of {} V on channel {}", one.range_v, one.channel);
                return Err(self.instrument.not_taken(asked, range_v.to_string()));
            }
            channels.push(ChannelRange { channel: one.channel, range_v });
        }
        let prepared = Prepared { points: wanted.points, interval_s, channels, format, order };
        self.prepared = Some(prepared.clone());
        Ok(prepared)
    }

    /// Starts recording and returns at once.
    ///
    /// # Errors
    /// `BadRequest` before [`Digitizer::configure`]; link failures; reported errors.
    pub fn start(&mut self) -> Result<(), InstrumentError> {
        self.expect_prepared()?;
        self.instrument.tell("start", &[])?;
        Ok(())
    }

    /// Waits until the record is complete; allows its length on top of the usual time.
    ///
    /// # Errors
    /// Link failures, among them a time-out and a cancellation; an answer other than 1.
    pub fn wait(&mut self) -> Result<(), InstrumentError> {
        let prepared = self.expect_prepared()?;
        let record_s = prepared.interval_s * f64::from(prepared.points);
        let extra = Duration::try_from_secs_f64(record_s)
            .map_err(|_| self.instrument.refuse(format!("a record of {record_s} s")))?;
        let answer = self.instrument.wait("wait", extra)?;
        if answer.state()? { Ok(()) } else { Err(answer.malformed("1 when the record is complete")) }
    }

    /// Fetches the record.
    ///
    /// # Errors
    /// `BlockSize` when it has another number of samples than asked for; `NotANumber` when one of them is none; link failures; reported errors.
    pub fn fetch(&mut self) -> Result<Record, InstrumentError> {
        let prepared = self.expect_prepared()?;
        let numbers: Vec<u32> = prepared.channels.iter().map(|one| one.channel).collect();
        let points = usize::try_from(prepared.points)
            .map_err(|_| self.instrument.refuse(format!("{} points", prepared.points)))?;
        let bytes = points.saturating_mul(numbers.len()).saturating_mul(prepared.format.bytes());
        let values = [("channels", Value::Word(channel_list(&numbers)))];
        let payload = self.instrument.block("fetch", &values, bytes)?;
        let mut channels_v = Vec::with_capacity(numbers.len());
        let pieces = payload.chunks(points.saturating_mul(prepared.format.bytes()).max(1));
        for (piece, one) in pieces.zip(&prepared.channels) {
            let mut samples = wattproof_scpi::samples::decode(piece, prepared.format, prepared.order)
                .map_err(|error| self.instrument.refuse(error.to_string()))?;
            // The same codes as in text answers (SCPI-1999 volume 1, 7.2.1); written so that a NaN is found.
            let real = |sample: &f64| sample.abs() < 9.9e37;
            if let Some(index) = samples.iter().position(|sample| !real(sample)) {
                let words = format!("sample {index} of channel {}: {:?}", one.channel, samples.get(index));
                return Err(self.instrument.not_a_number(words));
            }
            let scale = volts_per_unit(prepared.format, one.range_v);
            for sample in &mut samples {
                *sample *= scale;
            }
            channels_v.push(samples);
        }
        let full_scale_v = prepared.channels.iter().map(|one| one.range_v).collect();
        Ok(Record { interval_s: prepared.interval_s, channels_v, full_scale_v })
    }

    /// Starts, waits and fetches.
    ///
    /// # Errors
    /// Those of the three. After a failed wait the recording is still under way: [`Digitizer::abort`] it.
    pub fn acquire(&mut self) -> Result<Record, InstrumentError> {
        self.start()?;
        self.wait()?;
        self.fetch()
    }

    /// Stops a recording under way.
    ///
    /// # Errors
    /// Link failures, reported errors.
    pub fn abort(&mut self) -> Result<(), InstrumentError> {
        self.instrument.tell("abort", &[])?;
        Ok(())
    }

    fn expect_prepared(&self) -> Result<Prepared, InstrumentError> {
        let missing = || self.instrument.refuse("nothing is configured to be recorded".to_string());
        self.prepared.clone().ok_or_else(missing)
    }

    fn formats(&self, wanted: &Acquisition) -> Result<(SampleFormat, ByteOrder), InstrumentError> {
        let format = wanted.format.map_or(self.samples.default.as_str(), |format| format_word(format));
        let order = wanted.order.map_or(self.samples.default_order.as_str(), |order| order_word(order));
        let dialect = &self.instrument.dialect().name;
        if !self.samples.formats.contains_key(format) {
            return Err(self.instrument.refuse(format!("dialect `{dialect}` has no sample format {format}")));
        }
        if !self.samples.orders.contains_key(order) {
            return Err(self.instrument.refuse(format!("dialect `{dialect}` has no byte order {order}")));
        }
        match (format_named(format), order_named(order)) {
            (Some(format), Some(order)) => Ok((format, order)),
            _ => Err(self.instrument.refuse(format!("{format} {order} is no sample format"))),
        }
    }

    /// Refuses what makes no record before anything is sent.
    fn examine(&self, wanted: &Acquisition) -> Result<(), InstrumentError> {
        let refuse = |words: String| Err(self.instrument.refuse(words));
        if wanted.points == 0 {
            return refuse("a record of no points".to_string());
        }
        if !(wanted.interval_s.is_finite() && wanted.interval_s > 0.0) {
            return refuse(format!("an interval of {} s", wanted.interval_s));
        }
        if wanted.channels.is_empty() {
            return refuse("a record of no channels".to_string());
        }
        for (index, one) in wanted.channels.iter().enumerate() {
            if !(one.range_v.is_finite() && one.range_v > 0.0) {
                return refuse(format!("a range of {} V on channel {}", one.range_v, one.channel));
            }
            if wanted.channels.iter().take(index).any(|other| other.channel == one.channel) {
                return refuse(format!("channel {} twice", one.channel));
            }
        }
        Ok(())
    }
}

/// `1:4` for channels in a row, `1,3` for others (SCPI-1999 volume 1, 8.3.2, channel lists).
fn channel_list(channels: &[u32]) -> String {
    let in_a_row = channels.windows(2).all(|pair| matches!(pair, [a, b] if a.checked_add(1) == Some(*b)));
    match (channels.first(), channels.last()) {
        (Some(first), Some(last)) if in_a_row && first != last => format!("{first}:{last}"),
        _ => channels.iter().map(u32::to_string).collect::<Vec<_>>().join(","),
    }
}
