//! One acquisition: configured only when something changed, so that a step costs no needless messages.

use wattproof_instruments::{Acquisition, ChannelRange, Digitizer, InstrumentError, Record};

use crate::BenchFile;

/// What a bench file asks of its digitizer for `samples` samples per channel.
pub(crate) fn acquisition(file: &BenchFile, samples: usize) -> Acquisition {
    let channels = file.digitizer.channel.iter();
    Acquisition {
        points: u32::try_from(samples).unwrap_or(u32::MAX),
        interval_s: 1.0 / file.digitizer.rate_hz,
        channels: channels.map(|c| ChannelRange { channel: c.adc, range_v: c.range_v }).collect(),
        format: None,
        order: None,
    }
}

/// Configures if needed, records, fetches.
pub(crate) fn acquire(digitizer: &mut Digitizer, wanted: &Acquisition) -> Result<Record, InstrumentError> {
    prepare(digitizer, wanted)?;
    digitizer.acquire()
}

/// Configures if needed.
pub(crate) fn prepare(digitizer: &mut Digitizer, wanted: &Acquisition) -> Result<(), InstrumentError> {
    let same = digitizer.prepared().is_some_and(|prepared| prepared.points == wanted.points);
    if !same {
        digitizer.configure(wanted)?;
    }
    Ok(())
}
