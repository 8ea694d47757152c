//! A sampling digitizer.

use std::time::Duration;

use wattproof_link::Link;

use crate::dialect::Dialect;
use crate::error::InstrumentError;
use crate::instrument::{Instrument, at, shares_instrument};
use crate::role::Role;
use crate::samples::{
    ByteOrder, Layout, SampleFormat, Samples, TextNumbers, Travel, format_word, order_word, part,
    volts_per_unit,
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
    /// How samples travel; None as numbers in a list.
    pub format: Option<SampleFormat>,
    /// Byte order of a sample; None where they travel in a list.
    pub order: Option<ByteOrder>,
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
    samples: Box<Samples>,
    prepared: Option<Box<Ready>>,
}

/// What is prepared, and how its samples become volts.
#[derive(Debug, Clone)]
struct Ready {
    prepared: Prepared,
    travel: Travel,
    /// Volts of one code and of code 0, channel by channel.
    lines: Vec<(f64, f64)>,
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
        Ok(Digitizer { instrument, samples: Box::new(samples), prepared: None })
    }

    /// How many channels it has.
    pub fn channels(&self) -> u32 {
        self.instrument.dialect().channels
    }

    /// What the last [`Digitizer::configure`] led to.
    pub fn prepared(&self) -> Option<&Prepared> {
        self.prepared.as_ref().map(|ready| &ready.prepared)
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
        let Some(travel) = self.samples.travel(&format, order.as_deref()) else {
            return Err(self.instrument.refuse(format!("{format} is no sample format")));
        };
        self.examine(wanted)?;
        if let Some(word) = self.samples.formats.get(&format).cloned()
            && self.instrument.dialect().can("set_format")
        {
            self.instrument.tell("set_format", &[("format", Value::Word(word))])?;
        }
        if let Some(word) = order.and_then(|order| self.samples.orders.get(&order).cloned())
            && matches!(travel, Travel::Binary(..))
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
        let lines =
            channels.iter().map(|one| self.line(travel, one)).collect::<Result<Vec<_>, InstrumentError>>()?;
        let (format, order) = match travel {
            Travel::Binary(format, order) => (Some(format), Some(order)),
            Travel::Text => (None, None),
        };
        let prepared = Prepared { points: wanted.points, interval_s, channels, format, order };
        self.prepared = Some(Box::new(Ready { prepared: prepared.clone(), travel, lines }));
        Ok(prepared)
    }

    /// Volts of one unit of what travels, and of 0, on a channel: asked, fixed, or what follows from the range.
    fn line(&mut self, travel: Travel, one: &ChannelRange) -> Result<(f64, f64), InstrumentError> {
        let usual = match travel {
            Travel::Binary(format @ (SampleFormat::Int16 | SampleFormat::Int32), _) => {
                volts_per_unit(format, one.range_v)
            }
            Travel::Text if self.samples.text == TextNumbers::Codes => 1.0,
            // Volts already.
            Travel::Binary(..) | Travel::Text => return Ok((1.0, 0.0)),
        };
        let values = [at(one.channel)];
        let asked = self.instrument.number_if_known("get_volts_per_code", &values)?;
        let volts = asked.or(self.samples.volts_per_code).unwrap_or(usual);
        if !(volts.is_finite() && volts != 0.0) {
            return Err(self
                .instrument
                .not_a_number(format!("{volts} V per code of channel {}", one.channel)));
        }
        let offset_v = self.instrument.number_if_known("get_offset_v", &values)?;
        Ok((volts, offset_v.unwrap_or(self.samples.offset_v)))
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
        let prepared = self.expect_prepared()?.prepared;
        let record_s = prepared.interval_s * f64::from(prepared.points);
        let extra = Duration::try_from_secs_f64(record_s)
            .map_err(|_| self.instrument.refuse(format!("a record of {record_s} s")))?;
        self.instrument.wait("wait", extra)
    }

    /// Fetches the record.
    ///
    /// # Errors
    /// `BlockSize` or `ListLength` when it has another number of samples than asked for; `NotANumber` when one of them
    /// is none; link failures; reported errors.
    pub fn fetch(&mut self) -> Result<Record, InstrumentError> {
        let ready = self.expect_prepared()?;
        let prepared = &ready.prepared;
        let numbers: Vec<u32> = prepared.channels.iter().map(|one| one.channel).collect();
        let points = usize::try_from(prepared.points)
            .map_err(|_| self.instrument.refuse(format!("{} points", prepared.points)))?;
        let mut channels_v = Vec::with_capacity(numbers.len());
        if self.instrument.dialect().fetches_each() {
            for channel in &numbers {
                channels_v.extend(self.samples_of(&ready, &[at(*channel)], 1, points)?);
            }
        } else {
            let values = [("channels", Value::Word(self.samples.list.of(&numbers)))];
            channels_v = self.samples_of(&ready, &values, numbers.len(), points)?;
        }
        for ((samples, one), (volts, offset_v)) in
            channels_v.iter_mut().zip(&prepared.channels).zip(&ready.lines)
        {
            // The same codes as in text answers (SCPI-1999 volume 1, 7.2.1); written so that a NaN is found.
            let real = |sample: &f64| sample.abs() < 9.9e37;
            // All of them first, which is quicker than to stop at one.
            let all_real = samples.iter().fold(true, |all, sample| all & real(sample));
            if let Some(index) =
                (!all_real).then(|| samples.iter().position(|sample| !real(sample))).flatten()
            {
                let words = format!("sample {index} of channel {}: {:?}", one.channel, samples.get(index));
                return Err(self.instrument.not_a_number(words));
            }
            for sample in samples {
                *sample = *sample * volts + offset_v;
            }
        }
        let full_scale_v = prepared.channels.iter().map(|one| one.range_v).collect();
        Ok(Record { interval_s: prepared.interval_s, channels_v, full_scale_v })
    }

    /// One fetch: a list of `points` numbers for each of `channels`, as they travel.
    fn samples_of(
        &mut self,
        ready: &Ready,
        values: &[(&str, Value)],
        channels: usize,
        points: usize,
    ) -> Result<Vec<Vec<f64>>, InstrumentError> {
        let count = points.saturating_mul(channels);
        let layout = if channels == 1 { Layout::Blockwise } else { self.samples.layout };
        match ready.travel {
            Travel::Text => {
                let separator = self.samples.separator.clone();
                let all = self.instrument.list("fetch", values, &separator, count)?;
                Ok(part(layout, &all, channels, points))
            }
            Travel::Binary(format, order) => {
                let bytes = count.saturating_mul(format.bytes());
                let payload = self.instrument.block("fetch", values, self.samples.block, bytes)?;
                let decode = |bytes| wattproof_scpi::samples::decode(bytes, format, order);
                let decoded = match layout {
                    Layout::Blockwise => {
                        payload.chunks((bytes / channels.max(1)).max(1)).map(decode).collect()
                    }
                    Layout::Interleaved => decode(&payload).map(|all| part(layout, &all, channels, points)),
                };
                self.instrument.take_back(payload);
                decoded.map_err(|error| self.instrument.refuse(error.to_string()))
            }
        }
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

    fn expect_prepared(&self) -> Result<Box<Ready>, InstrumentError> {
        let missing = || self.instrument.refuse("nothing is configured to be recorded".to_string());
        self.prepared.clone().ok_or_else(missing)
    }

    /// The dialect's words for format and byte order; no order where it has none.
    fn formats(&self, wanted: &Acquisition) -> Result<(String, Option<String>), InstrumentError> {
        let format = wanted.format.map_or(self.samples.default.as_str(), |format| format_word(format));
        let order = match wanted.order {
            Some(order) => Some(order_word(order)),
            None => self.samples.default_order.as_deref(),
        };
        let dialect = &self.instrument.dialect().name;
        if !self.samples.formats.contains_key(format) {
            return Err(self.instrument.refuse(format!("dialect `{dialect}` has no sample format {format}")));
        }
        if let Some(order) = order.filter(|order| !self.samples.orders.contains_key(*order)) {
            return Err(self.instrument.refuse(format!("dialect `{dialect}` has no byte order {order}")));
        }
        Ok((format.to_string(), order.map(str::to_string)))
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
