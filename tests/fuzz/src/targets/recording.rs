//! What holds for every recording, WAV or CSV: read twice or in other pieces it is the same, and a part of it is a part.

use std::io::Read;

use wattproof_recordings::{CHANNELS_MAX, Choice, RATE_MAX_HZ, Recording, RecordingError, Wanted, read};

use super::drawn_below;

/// Gives bytes a few at a time.
struct InPieces<'a>(&'a [u8], usize);

impl Read for InPieces<'_> {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let some = into.len().min(self.1);
        self.0.read(into.get_mut(..some).unwrap_or_default())
    }
}

/// Every bit of a recording, or the words of its refusal.
fn bits(read: &Result<Recording, RecordingError>) -> Result<(u64, Vec<Vec<u64>>), String> {
    match read {
        Ok(recording) => {
            let rows = recording.channels.iter().map(|channel| row(&channel.samples)).collect();
            Ok((recording.fs_hz.to_bits(), rows))
        }
        Err(error) => Err(error.to_string()),
    }
}

fn row(samples: &[f64]) -> Vec<u64> {
    samples.iter().map(|sample| sample.to_bits()).collect()
}

/// Checks one input; gives the recording where it is one.
pub fn check(bytes: &[u8]) -> Option<Recording> {
    let all = Wanted::default();
    let found = read(bytes, &all);
    assert_eq!(bits(&found), bits(&read(bytes, &all)), "read twice");
    let pieces = InPieces(bytes, 1 + drawn_below(bytes, 0, 9));
    assert_eq!(bits(&found), bits(&read(pieces, &all)), "read in pieces");
    let recording = found.ok()?;
    assert!(recording.fs_hz > 0.0 && recording.fs_hz <= RATE_MAX_HZ * (1.0 + 1e-6));
    assert!((1..=CHANNELS_MAX).contains(&recording.channels.len()));
    let samples = recording.channels[0].samples.len();
    assert!(samples > 0 && recording.channels.iter().all(|channel| channel.samples.len() == samples));
    check_part(bytes, &recording);
    let volts_channel = 1 + drawn_below(bytes, 1, recording.channels.len() + 1);
    let choice =
        Choice { volts_channel, amps_channel: Some(1), volts_full_scale: Some(2.0), amps_full_scale: None };
    match choice.capture(&recording) {
        Ok(capture) => assert_eq!(capture.volts.len(), samples),
        Err(_) => assert!(volts_channel > recording.channels.len()),
    }
    Some(recording)
}

/// A part by time is what lies there in the whole.
fn check_part(bytes: &[u8], whole: &Recording) {
    let samples = whole.channels[0].samples.len();
    let skip = drawn_below(bytes, 2, samples);
    let length = 1 + drawn_below(bytes, 3, samples - skip);
    let time_s = |count: usize| count as f64 / whole.fs_hz;
    let exact = |count: usize| (time_s(count) * whole.fs_hz).round() == count as f64;
    if !exact(skip) || !exact(length) {
        return;
    }
    let wanted = Wanted { channels: Vec::new(), skip_s: time_s(skip), length_s: Some(time_s(length)) };
    let part = read(bytes, &wanted).unwrap();
    for (part, whole) in part.channels.iter().zip(&whole.channels) {
        assert_eq!(row(&part.samples), row(&whole.samples[skip..skip + length]), "{skip} + {length}");
    }
}
