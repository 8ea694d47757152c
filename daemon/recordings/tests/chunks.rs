//! WAV files chunk by chunk as recorders leave them: RIFF layout (Microsoft and IBM, Multimedia Programming Interface 1.0,
//! 1991), WAVEFORMATEXTENSIBLE (Microsoft), RF64 (EBU Tech 3306); all from memory.

#![allow(clippy::panic, reason = "a helper that fails must stop its test")]

use wattproof_recordings::{Recording, RecordingError, Wanted, read};

const PLAIN: [i16; 4] = [0, 16_384, -32_768, 8_192];

fn chunk(name: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut bytes = [name.as_slice(), &(body.len() as u32).to_le_bytes(), body].concat();
    if body.len() % 2 == 1 {
        bytes.push(0);
    }
    bytes
}

/// Format chunk of one channel at 48 kHz.
fn format(code: u16, bytes: u16, bits: u16, extension: &[u8]) -> Vec<u8> {
    let mut body = Vec::new();
    for word in [code, 1] {
        body.extend(word.to_le_bytes());
    }
    body.extend(48_000_u32.to_le_bytes());
    body.extend((48_000 * u32::from(bytes)).to_le_bytes());
    for word in [bytes, bits] {
        body.extend(word.to_le_bytes());
    }
    body.extend(extension);
    chunk(b"fmt ", &body)
}

/// Extension of a format chunk: bits that count, speakers, and the identifier that holds the code.
fn extension(valid: u16, code: u16) -> Vec<u8> {
    let tail = [0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71];
    let head = [22_u16, valid, 0, 0, code].map(u16::to_le_bytes).concat();
    [head, tail.to_vec()].concat()
}

fn file(mark: &[u8; 4], riff_bytes: Option<u32>, parts: &[Vec<u8>]) -> Vec<u8> {
    let body = parts.concat();
    let length = riff_bytes.unwrap_or(body.len() as u32 + 4);
    [mark.as_slice(), &length.to_le_bytes(), b"WAVE", &body].concat()
}

fn data(codes: &[i16]) -> Vec<u8> {
    chunk(b"data", &codes.map_bytes())
}

trait MapBytes {
    fn map_bytes(&self) -> Vec<u8>;
}

impl MapBytes for [i16] {
    fn map_bytes(&self) -> Vec<u8> {
        self.iter().flat_map(|code| code.to_le_bytes()).collect()
    }
}

/// The same chunk with another length written into it.
fn promising(length: u32, mut chunk: Vec<u8>) -> Vec<u8> {
    chunk[4..8].copy_from_slice(&length.to_le_bytes());
    chunk
}

fn take(bytes: &[u8]) -> Result<Recording, RecordingError> {
    read(bytes, &Wanted::default())
}

fn assert_plain(bytes: &[u8], what: &str) {
    let found = take(bytes).unwrap_or_else(|error| panic!("{what}: {error}"));
    assert_eq!(found.channels[0].samples, PLAIN.map(|code| f64::from(code) / 32_768.0), "{what}");
}

#[test]
fn chunks_before_the_samples_are_passed_over() {
    let pcm = format(1, 2, 16, &[]);
    for (what, before) in [
        ("an odd list", chunk(b"LIST", b"INFOISFT\x07\0\0\0made up")),
        ("one odd byte", chunk(b"JUNK", b"x")),
        ("a sample count", chunk(b"fact", &4_u32.to_le_bytes())),
        ("two odd ones", [chunk(b"JUNK", b"abc"), chunk(b"note", b"12345")].concat()),
        ("more than is looked at to tell the kind of file", chunk(b"JUNK", &vec![7; 200_001])),
        ("an odd one that its writer did not pad", chunk(b"JUNK", b"abc")[..11].to_vec()),
    ] {
        let parts = [pcm.clone(), before.clone(), data(&PLAIN)];
        assert_plain(&file(b"RIFF", None, &parts), what);
        assert_plain(&file(b"RIFF", None, &[before.clone(), pcm.clone(), data(&PLAIN)]), what);
        // What a recorder writes that never learns the length.
        let parts = [pcm.clone(), before, promising(u32::MAX, data(&PLAIN))];
        assert_plain(&file(b"RIFF", Some(u32::MAX), &parts), what);
    }
    assert_plain(&file(b"RIFF", None, &[pcm, data(&PLAIN), chunk(b"LIST", b"INFO")]), "a list behind");
}

#[test]
fn lengths_that_were_never_filled_in_take_what_is_there() {
    let pcm = format(1, 2, 16, &[]);
    for (riff, length) in [
        (None, u32::MAX),
        (Some(u32::MAX), u32::MAX - 36),
        (Some(0), 0),
        (Some(36), 0),
        (Some(0x7fff_f024), 0x7fff_f000),
        (None, 0x7fff_ffff),
        (None, 0x8000_0000),
    ] {
        let bytes = file(b"RIFF", riff, &[pcm.clone(), promising(length, data(&PLAIN))]);
        assert_plain(&bytes, &format!("file {riff:?}, data {length}"));
        // The last sample came half.
        let half = [bytes, vec![1]].concat();
        assert_plain(&half, &format!("half a sample more, file {riff:?}, data {length}"));
    }
    // Where the file knows that more chunks follow, no samples are none.
    let none = file(b"RIFF", None, &[pcm.clone(), data(&[]), chunk(b"LIST", b"INFO")]);
    assert!(matches!(take(&none), Err(RecordingError::NoSamples)));
    // Any other length is a promise.
    for length in [9, 10, 1 << 20] {
        let broken = file(b"RIFF", None, &[pcm.clone(), promising(length, data(&PLAIN))]);
        let found = take(&broken);
        let kept = if length == 9 {
            found.is_ok()
        } else {
            matches!(found, Err(RecordingError::Truncated { frames: 4, .. }))
        };
        assert!(kept, "{length}: {found:?}");
    }
}

#[test]
fn samples_narrower_than_their_bytes_stand_at_the_upper_end() {
    // 12 bits in 16, 20 in 24, 24 in 32: half of full scale, the most negative code, one step.
    for (bytes, bits) in [(2_u16, 12_u32), (3, 20), (4, 24), (2, 16)] {
        let step = 2_f64.powi(1 - bits as i32);
        let shift = u32::from(bytes) * 8 - bits;
        let codes = [1_i32 << (bits - 2), -(1 << (bits - 1)), 1];
        let body = |shift: u32| -> Vec<u8> {
            let wide = codes.map(|code| (code << shift).to_le_bytes());
            wide.iter().flat_map(|code| code[..usize::from(bytes)].to_vec()).collect()
        };
        for format in
            [format(0xfffe, bytes, 8 * bytes, &extension(bits as u16, 1)), format(1, bytes, bits as u16, &[])]
        {
            let file = |shift: u32| file(b"RIFF", None, &[format.clone(), chunk(b"data", &body(shift))]);
            let found = take(&file(shift)).unwrap_or_else(|error| panic!("{bits} bits: {error}"));
            let samples = &found.channels[0].samples;
            assert_eq!(samples, &[0.5, -1.0, step], "{bits} bits in {bytes} bytes");
            assert_eq!(found.channels[0].limit, Some(1.0 - step));
            // At the lower end they would read too low by what nobody knows.
            if shift > 0 {
                let error = take(&file(0)).unwrap_err().to_string();
                assert!(error.contains("the upper end"), "{error}");
                // Samples that use the bits below too are levels all the same.
                let found = take(&file(shift - 1)).unwrap();
                assert_eq!(found.channels[0].samples, [0.25, -0.5, step / 2.0]);
            }
        }
    }
}

#[test]
fn floats_of_64_bits_and_files_beyond_4_gib() {
    let body: Vec<u8> = [0.25_f64, -1.0, 1e-300].iter().flat_map(|x| x.to_le_bytes()).collect();
    for format in [format(3, 8, 64, &[0, 0]), format(0xfffe, 8, 64, &extension(64, 3))] {
        let found = take(&file(b"RIFF", None, &[format, chunk(b"data", &body)])).unwrap();
        assert_eq!(found.channels[0].samples, [0.25, -1.0, 1e-300]);
        assert_eq!(found.channels[0].limit, Some(1.0));
    }
    let sizes = |data: u64| [1 << 33, data, 4].map(u64::to_le_bytes).concat();
    let long = |promise: u64| {
        let parts = [
            chunk(b"ds64", &[sizes(promise), vec![0; 4]].concat()),
            format(1, 2, 16, &[]),
            promising(u32::MAX, data(&PLAIN)),
        ];
        file(b"RF64", Some(u32::MAX), &parts)
    };
    assert_plain(&[long(8), b"LIST\x04\0\0\0INFO".to_vec()].concat(), "RF64");
    assert!(matches!(take(&long(1 << 33)), Err(RecordingError::Truncated { frames: 4, .. })));
}

#[test]
fn formats_that_are_not_read_are_named() {
    for (format, told) in [
        (format(6, 1, 8, &[]), "format 6 with 8 bits"),
        (format(3, 2, 16, &[]), "format 3 with 16 bits"),
        (format(1, 5, 40, &[]), "40 bits in 5 bytes"),
        (format(1, 2, 24, &[]), "24 bits in 2 bytes"),
        (chunk(b"fmt ", &[1; 10]), "too short"),
        (chunk(b"JUNK", b""), "before its samples"),
    ] {
        let error = take(&file(b"RIFF", None, &[format, data(&PLAIN)])).unwrap_err().to_string();
        assert!(error.contains(told) && error.contains("export it again"), "{error}");
    }
}
