//! The head of a WAV file, chunk by chunk up to its samples: RIFF, and RF64 of EBU Tech 3306 (from memory).

use std::io::Read;

use crate::error::RecordingError;

/// Lengths of data that recorders leave behind which can't go back to fill them in: some 2 GiB, and all ones (common
/// practice, no source).
const UNFILLED: [std::ops::RangeInclusive<u32>; 2] = [0x7fff_f000..=0x8000_0000, u32::MAX..=u32::MAX];
/// Format codes (Microsoft, `mmreg.h`; from memory).
const PCM: u16 = 1;
const FLOAT: u16 = 3;
const EXTENSIBLE: u16 = 0xfffe;

/// How samples are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Coding {
    /// Integers in so many bytes, of which so many bits count.
    Integer {
        /// Bytes of a sample.
        bytes: usize,
        /// Bits that count, at most those of the bytes.
        bits: u32,
    },
    /// IEEE 754 floats of 32 bits.
    Float32,
    /// IEEE 754 floats of 64 bits.
    Float64,
}

impl Coding {
    /// Bytes of a sample.
    pub fn bytes(self) -> usize {
        match self {
            Coding::Integer { bytes, .. } => bytes,
            Coding::Float32 => 4,
            Coding::Float64 => 8,
        }
    }
}

/// What stands before the samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Head {
    /// Channels, at least 1.
    pub channels: usize,
    /// Samples per second, in Hz.
    pub fs_hz: f64,
    /// How samples are written.
    pub coding: Coding,
    /// Bytes of samples; `None` if the recorder did not know, so that what is there counts.
    pub data_bytes: Option<u64>,
}

/// True if bytes begin as a file that [`head`] understands.
pub(crate) fn is_wav(bytes: &[u8]) -> bool {
    bytes.starts_with(b"RIFF") || (bytes.starts_with(b"RF64") && bytes.get(8..12) == Some(b"WAVE"))
}

/// Reads up to the first sample.
pub(crate) fn head(source: &mut impl Read) -> Result<Head, RecordingError> {
    let [_, _, _, _, a, b, c, d, w, x, y, z] = bytes(source)?;
    if [w, x, y, z] != *b"WAVE" {
        return Err(unusable("it is not marked as WAVE"));
    }
    let file_bytes = u32::from_le_bytes([a, b, c, d]);
    // The file's mark, its length, and what it begins with, for a start.
    let mut come = 12_u64;
    let (mut format, mut long_bytes) = (None, None);
    let mut next = None;
    loop {
        let (name, length) = chunk(source, next.take())?;
        come += 8;
        if name == *b"data" {
            let (channels, fs_hz, coding) =
                format.ok_or_else(|| unusable("its format does not come before its samples"))?;
            let data_bytes = match long_bytes {
                Some(long) if length == u32::MAX => Some(long),
                // A length of 0 is what it says where the file goes on by its own count.
                _ if length == 0 && u64::from(file_bytes) + 8 <= come => None,
                _ if file_bytes == u32::MAX && long_bytes.is_none() => None,
                _ if UNFILLED.iter().any(|lengths| lengths.contains(&length)) => None,
                _ => Some(u64::from(length)),
            };
            return Ok(Head { channels, fs_hz, coding, data_bytes });
        }
        let known = match &name {
            b"fmt " => {
                let (found, read) = format_of(source, length)?;
                format = Some(found);
                read
            }
            b"ds64" if length >= 16 => {
                let [_, _, _, _, _, _, _, _, long @ ..] = bytes::<16>(source)?;
                long_bytes = Some(u64::from_le_bytes(long));
                16
            }
            _ => 0,
        };
        skip(source, u64::from(length - known))?;
        come += u64::from(length);
        if length % 2 == 1 {
            // Chunks are padded by a zero to an even length; some writers forget to.
            let [pad] = bytes(source)?;
            next = Some(pad).filter(|pad| *pad != 0);
            come += u64::from(next.is_none());
        }
    }
}

/// Name and length of a chunk, whose first byte may have been read before.
fn chunk(source: &mut impl Read, first: Option<u8>) -> Result<([u8; 4], u32), RecordingError> {
    let first = match first {
        Some(first) => first,
        None => bytes::<1>(source)?[0],
    };
    let [b, c, d, length @ ..] = bytes::<7>(source)?;
    Ok(([first, b, c, d], u32::from_le_bytes(length)))
}

/// Channels, samples per second and coding; and how many bytes of the chunk that took.
fn format_of(source: &mut impl Read, length: u32) -> Result<((usize, f64, Coding), u32), RecordingError> {
    if length < 16 {
        return Err(unusable("its format is too short"));
    }
    let [code @ .., c0, c1, r0, r1, r2, r3, _, _, _, _, f0, f1, b0, b1] = bytes::<16>(source)?;
    let (mut code, mut read) = (u16::from_le_bytes(code), 16);
    let channels = usize::from(u16::from_le_bytes([c0, c1]));
    let fs_hz = f64::from(u32::from_le_bytes([r0, r1, r2, r3]));
    let frame_bytes = usize::from(u16::from_le_bytes([f0, f1]));
    let mut bits = u16::from_le_bytes([b0, b1]);
    if code == EXTENSIBLE && length >= 26 {
        let [_, _, v0, v1, _, _, _, _, s0, s1] = bytes(source)?;
        code = u16::from_le_bytes([s0, s1]);
        let valid = u16::from_le_bytes([v0, v1]);
        bits = if valid == 0 { bits } else { valid.min(bits) };
        read = 26;
    }
    if channels == 0 {
        return Err(unusable("no channel"));
    }
    let bytes = frame_bytes / channels;
    let coding = match (code, bytes, bits) {
        (PCM, 1..=4, 2..=32) if frame_bytes == bytes * channels && usize::from(bits) <= 8 * bytes => {
            Coding::Integer { bytes, bits: u32::from(bits) }
        }
        (FLOAT, 4, 32) => Coding::Float32,
        (FLOAT, 8, 64) => Coding::Float64,
        _ => {
            let why =
                format!("format {code} with {bits} bits in {frame_bytes} bytes for {channels} channels");
            return Err(RecordingError::Header { why });
        }
    };
    Ok(((channels, fs_hz, coding), read))
}

/// Passes over so many bytes.
pub(crate) fn skip(source: &mut impl Read, count: u64) -> Result<(), RecordingError> {
    let passed =
        std::io::copy(&mut source.take(count), &mut std::io::sink()).map_err(RecordingError::Unreadable)?;
    if passed < count { Err(unusable("the file ends within it")) } else { Ok(()) }
}

fn bytes<const N: usize>(source: &mut impl Read) -> Result<[u8; N], RecordingError> {
    let mut bytes = [0; N];
    source.read_exact(&mut bytes).map_err(|error| match error.kind() {
        std::io::ErrorKind::UnexpectedEof => unusable("the file ends within it"),
        _ => RecordingError::Unreadable(error),
    })?;
    Ok(bytes)
}

fn unusable(why: &str) -> RecordingError {
    RecordingError::Header { why: why.into() }
}
