//! WAV files written by the `hound` crate, and broken ones made by hand after the RIFF layout (Microsoft and IBM,
//! Multimedia Programming Interface 1.0, 1991; from memory).

#![allow(clippy::unwrap_used, reason = "a helper that fails must stop its test")]

use std::io::Cursor;

use hound::{SampleFormat, WavSpec, WavWriter};
use proptest::prelude::*;
use wattproof_recordings::{RecordingError, Wanted, read};

const CODES: [i32; 4] = [0, 127, -128, 5];

fn written(channels: u16, sample_rate: u32, bits: u16, format: SampleFormat, codes: &[i32]) -> Vec<u8> {
    let spec = WavSpec { channels, sample_rate, bits_per_sample: bits, sample_format: format };
    let mut bytes = Cursor::new(Vec::new());
    let mut writer = WavWriter::new(&mut bytes, spec).unwrap();
    for code in codes {
        match format {
            SampleFormat::Int => writer.write_sample(*code).unwrap(),
            SampleFormat::Float => writer.write_sample(*code as f32 / 128.0).unwrap(),
        }
    }
    writer.finalize().unwrap();
    bytes.into_inner()
}

#[test]
fn every_width_gives_fractions_of_full_scale() {
    for bits in [8_u16, 16, 24, 32] {
        let bytes = written(1, 48_000, bits, SampleFormat::Int, &CODES);
        let found = read(bytes.as_slice(), &Wanted::default()).unwrap();
        let half = 2_f64.powi(i32::from(bits) - 1);
        assert_eq!(found.channels[0].samples, CODES.map(|code| f64::from(code) / half), "{bits} bits");
        assert_eq!(found.channels[0].limit, Some((half - 1.0) / half));
        assert!(found.relative && found.fs_hz == 48_000.0);
    }
    let bytes = written(1, 48_000, 32, SampleFormat::Float, &CODES);
    let found = read(bytes.as_slice(), &Wanted::default()).unwrap();
    assert_eq!(found.channels[0].samples, CODES.map(|code| f64::from(code) / 128.0));
    assert_eq!(found.channels[0].limit, Some(1.0));
    let loud = written(1, 48_000, 32, SampleFormat::Float, &[0, 256]);
    assert_eq!(read(loud.as_slice(), &Wanted::default()).unwrap().channels[0].limit, None);
}

#[test]
fn channels_rates_and_parts() {
    let codes: Vec<i32> = (0..16 * 10).collect();
    let bytes = written(16, 2_000_000, 16, SampleFormat::Int, &codes);
    let wanted = Wanted { channels: vec![2], skip_s: 1e-6, length_s: Some(2e-6) };
    let found = read(bytes.as_slice(), &wanted).unwrap();
    assert_eq!(found.channels.len(), 16);
    assert_eq!(found.channels[2].samples, [34.0, 50.0, 66.0, 82.0].map(|code| code / 32_768.0));
    assert!(found.channels[3].samples.is_empty());
    let late = Wanted { skip_s: 1.0, ..Wanted::default() };
    assert!(matches!(read(bytes.as_slice(), &late), Err(RecordingError::NoSamples)));
    let many = written(17, 48_000, 16, SampleFormat::Int, &[0; 17]);
    let error = read(many.as_slice(), &Wanted::default()).unwrap_err();
    assert!(matches!(error, RecordingError::TooManyChannels { channels: 17, .. }));
    let fast = written(1, 2_000_001, 16, SampleFormat::Int, &[0]);
    assert!(matches!(read(fast.as_slice(), &Wanted::default()), Err(RecordingError::Rate { .. })));
}

#[test]
fn broken_files_say_what_is_wrong() {
    let whole = written(2, 48_000, 16, SampleFormat::Int, &[1; 200]);
    let short = read(&whole[..whole.len() - 5], &Wanted::default()).unwrap_err();
    assert!(matches!(short, RecordingError::Truncated { frames: 98, promised: 100 }), "{short}");
    let none = written(2, 48_000, 16, SampleFormat::Int, &[]);
    assert!(matches!(read(none.as_slice(), &Wanted::default()), Err(RecordingError::NoSamples)));
    assert!(matches!(read(&[][..], &Wanted::default()), Err(RecordingError::Empty)));
    for length in 4..44 {
        let error = read(&whole[..length], &Wanted::default()).unwrap_err().to_string();
        assert!(error.contains(';'), "{length}: {error}");
    }
    // A header that promises as much as 32 bits can say, over few bytes.
    let mut huge = whole.clone();
    huge[40..44].copy_from_slice(&0xffff_fff0_u32.to_le_bytes());
    let error = read(huge.as_slice(), &Wanted::default()).unwrap_err();
    assert!(matches!(error, RecordingError::Truncated { frames: 100, .. }), "{error}");
    // All ones mean that the recorder did not know the length: what is there counts.
    huge[40..44].copy_from_slice(&[0xff; 4]);
    assert_eq!(read(huge.as_slice(), &Wanted::default()).unwrap().channels[1].samples.len(), 100);
    for mark in ["fLaC", "OggS", "RF64", "\0\0\0\0"] {
        let error = read(mark.as_bytes(), &Wanted::default()).unwrap_err();
        assert!(matches!(error, RecordingError::Foreign { .. }), "{error}");
    }
}

proptest! {
    #[test]
    fn arbitrary_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let _ = read(bytes.as_slice(), &Wanted::default());
    }

    #[test]
    fn a_damaged_header_never_panics(
        at in 0_usize..44,
        bytes in proptest::collection::vec(any::<u8>(), 1..12),
        cut in 0_usize..200,
    ) {
        let mut file = written(2, 48_000, 24, SampleFormat::Int, &[1; 40]);
        for (place, byte) in file.iter_mut().skip(at).zip(bytes) {
            *place = byte;
        }
        file.truncate(file.len().saturating_sub(cut));
        let _ = read(file.as_slice(), &Wanted::default());
    }

    #[test]
    fn arbitrary_text_never_panics(text in "[0-9eE.,;\\t\\n\"# a+-]{0,300}") {
        let _ = read(text.as_bytes(), &Wanted::default());
    }
}
