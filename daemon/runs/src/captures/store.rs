//! One capture, one file: a line of JSON that says what follows, then the packed rows of samples.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use wattproof_bench::{BenchFile, ChannelCaptured, Measures};
use wattproof_signal::Capture;

use super::pack::{ALL_SAMPLES_MAX, Origin, Packing, pack, unpack};
use crate::disk::Disk;
use crate::folder::CAPTURES_FOLDER;

/// First word of the file.
const FORMAT: &str = "wattproof capture 2";
/// Of files from before there were blocks of bits: read, never written.
const FORMAT_BEFORE: &str = "wattproof capture 1";

/// Most captures of one number, but for one all left by power cuts.
const SAME_NUMBER_MAX: u32 = 100;

/// A stored capture, as the journal names it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CaptureRef {
    /// File below the run's folder.
    pub file: String,
    /// SHA-256 over the whole file, hexadecimal.
    pub sha256: String,
}

/// A capture can't be stored or read back.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    /// The operating system refused.
    #[error("capture {path}: {source}; free disk space or mend the disk, then resume the run")]
    Io {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The journal names a file elsewhere.
    #[error(
        "capture {file:?}: the journal names it outside the run's folder of captures, which no run does; nothing was read"
    )]
    Elsewhere {
        /// What it names.
        file: String,
    },
    /// The file is not what was stored.
    #[error("capture {path}: {what}; restore the file from a copy")]
    Altered {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: &'static str,
    },
}

#[derive(Serialize, Deserialize)]
struct Head {
    format: String,
    channels: Vec<ChannelHead>,
}

#[derive(Serialize, Deserialize)]
struct ChannelHead {
    amplifier_channel: u32,
    fs_hz: f64,
    /// Absent of a bridge measured by two dividers: there it is the difference of both sides.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    volts: Option<RowHead>,
    /// Positive and negative side of a bridge.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    sides: Option<[RowHead; 2]>,
    /// Whether a side met its converter's limits.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    volts_overrange: bool,
    volts_full_scale: Option<f64>,
    amps: Option<RowHead>,
    amps_full_scale: Option<f64>,
}

#[derive(Serialize, Deserialize)]
struct RowHead {
    samples: usize,
    packing: Packing,
    bytes: usize,
}

/// Stores a capture below a run's folder under the number of its act; it is on the disk when this returns.
///
/// A power cut may have left a capture of that number of which the journal knows nothing: it stays, and this one is told
/// apart by what is behind its number.
///
/// # Errors
/// [`CaptureError::Io`].
pub fn store(
    disk: &dyn Disk,
    folder: &Path,
    number: u64,
    bench: &BenchFile,
    channels: &[ChannelCaptured],
) -> Result<CaptureRef, CaptureError> {
    let io = |file: &str, source| CaptureError::Io { path: folder.join(file), source };
    let named = |behind: &str| format!("{CAPTURES_FOLDER}/{number:06}{behind}.cap");
    let bytes = capture_to_bytes(bench, channels).map_err(|source| io(&named(""), source))?;
    let mut of_this_number = 1;
    loop {
        let file = if of_this_number == 1 { named("") } else { named(&format!("-{of_this_number}")) };
        match disk.write_new(&folder.join(&file), &bytes) {
            Ok(()) => return Ok(CaptureRef { sha256: hash(&bytes), file }),
            Err(error) if error.kind() == ErrorKind::AlreadyExists && of_this_number < SAME_NUMBER_MAX => {
                of_this_number += 1;
            }
            Err(error) => return Err(io(&file, error)),
        }
    }
}

/// A capture as the bytes of its file. The bench's ranges and gains only make it smaller.
///
/// # Errors
/// When the compressor fails.
pub fn capture_to_bytes(bench: &BenchFile, channels: &[ChannelCaptured]) -> std::io::Result<Vec<u8>> {
    let mut rows = Vec::new();
    let mut row = |samples: &[f64], origin| -> std::io::Result<RowHead> {
        let (packing, packed) = pack(samples, origin)?;
        let head = RowHead { samples: samples.len(), packing, bytes: packed.len() };
        rows.extend(packed);
        Ok(head)
    };
    let mut heads = Vec::new();
    for ChannelCaptured { amplifier_channel, capture, sides } in channels {
        let origin = |measures, side| origin(bench, *amplifier_channel, measures, side);
        let (volts, sides) = match sides {
            None => (Some(row(&capture.volts, origin(Measures::Volts, 0))?), None),
            Some([positive, negative]) => {
                let positive = row(positive, origin(Measures::Volts, 0))?;
                (None, Some([positive, row(negative, origin(Measures::Volts, 1))?]))
            }
        };
        heads.push(ChannelHead {
            amplifier_channel: *amplifier_channel,
            fs_hz: capture.fs_hz,
            volts,
            sides,
            volts_overrange: capture.volts_overrange,
            volts_full_scale: capture.volts_full_scale,
            amps: capture.amps.as_ref().map(|amps| row(amps, origin(Measures::Amps, 0))).transpose()?,
            amps_full_scale: capture.amps_full_scale,
        });
    }
    let head = Head { format: FORMAT.into(), channels: heads };
    let mut bytes = serde_json::to_vec(&head)?;
    bytes.push(b'\n');
    bytes.extend(rows);
    Ok(bytes)
}

fn origin(bench: &BenchFile, amplifier_channel: u32, measures: Measures, side: usize) -> Option<Origin> {
    let inputs = bench.inputs(amplifier_channel, measures);
    let input = inputs.get(side)?;
    Some(Origin { range_v: input.range_v, offset_v: input.offset_v, gain: input.gain })
}

/// Reads a stored capture back, every sample as it was.
///
/// # Errors
/// [`CaptureError`].
pub fn load(
    disk: &dyn Disk,
    folder: &Path,
    stored: &CaptureRef,
) -> Result<Vec<ChannelCaptured>, CaptureError> {
    if !is_own(&stored.file) {
        return Err(CaptureError::Elsewhere { file: stored.file.clone() });
    }
    let path = folder.join(&stored.file);
    let bytes = disk.read(&path).map_err(|source| CaptureError::Io { path: path.clone(), source })?;
    let altered = |what| CaptureError::Altered { path: path.clone(), what };
    if hash(&bytes) != stored.sha256 {
        return Err(altered("its bytes are not those whose hash the journal holds"));
    }
    capture_from_bytes(&bytes).ok_or_else(|| altered("it is no capture of this program"))
}

/// Whether a name is that of a file in the folder of captures: a journal may come from another person, and its hashes
/// vouch for nobody.
fn is_own(name: &str) -> bool {
    let file = name.strip_prefix(CAPTURES_FOLDER).and_then(|rest| rest.strip_prefix('/'));
    file.is_some_and(|file| Path::new(file).file_name().is_some_and(|own| own == file))
}

/// The capture in the bytes of its file, every sample as it was; `None` when they are not what [`capture_to_bytes`] gives.
/// Whatever they are, this ends, and takes no more memory than a capture of [`ALL_SAMPLES_MAX`] samples.
pub fn capture_from_bytes(bytes: &[u8]) -> Option<Vec<ChannelCaptured>> {
    let end = bytes.iter().position(|byte| *byte == b'\n')?;
    let head: Head = serde_json::from_slice(bytes.get(..end)?).ok()?;
    if ![FORMAT, FORMAT_BEFORE].contains(&head.format.as_str()) {
        return None;
    }
    let mut rest = bytes.get(end + 1..)?;
    let mut room = ALL_SAMPLES_MAX;
    let mut row = |row: &RowHead| -> Option<Vec<f64>> {
        room = room.checked_sub(row.samples)?;
        let (packed, after) = rest.split_at_checked(row.bytes)?;
        rest = after;
        unpack(row.packing, row.samples, packed)
    };
    let mut channels = Vec::new();
    for channel in &head.channels {
        let volts = match (&channel.volts, &channel.sides) {
            (Some(volts), None) => Ok(row(volts)?),
            (None, Some([positive, negative])) => Err([row(positive)?, row(negative)?]),
            _ => return None,
        };
        let amps = match &channel.amps {
            Some(amps) => Some(row(amps)?),
            None => None,
        };
        let number = channel.amplifier_channel;
        let rest = Capture {
            fs_hz: channel.fs_hz,
            amps,
            volts_full_scale: channel.volts_full_scale,
            amps_full_scale: channel.amps_full_scale,
            ..Capture::default()
        };
        let mut read = match volts {
            Ok(volts) => {
                ChannelCaptured { amplifier_channel: number, capture: Capture { volts, ..rest }, sides: None }
            }
            Err(sides) => ChannelCaptured::bridged(sides, [None; 2], number, rest),
        };
        read.capture.volts_overrange = channel.volts_overrange;
        channels.push(read);
    }
    Some(channels)
}

fn hash(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::MachineDisk;
    use crate::served::tests::bench;

    /// Fault 43: a power cut may leave a capture whose act the journal has lost, and the act that follows gets its number.
    #[test]
    fn fault_43_a_capture_that_the_journal_lost_stays_and_is_in_nobody_s_way() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join(CAPTURES_FOLDER)).unwrap();
        let captured = |volts: f64| {
            let capture = Capture { fs_hz: 192_000.0, volts: vec![volts; 300], ..Capture::default() };
            [ChannelCaptured { amplifier_channel: 1, capture, sides: None }]
        };
        let store =
            |volts: f64| store(&MachineDisk, folder.path(), 149, &bench(1, false), &captured(volts)).unwrap();
        let stored = [1.0, 2.0, 3.0].map(store);
        let files = stored.each_ref().map(|one| one.file.as_str());
        assert_eq!(files, ["captures/000149.cap", "captures/000149-2.cap", "captures/000149-3.cap"]);
        for (one, volts) in stored.iter().zip([1.0, 2.0, 3.0]) {
            let read = load(&MachineDisk, folder.path(), one).unwrap();
            assert_eq!(read[0].capture.volts, captured(volts)[0].capture.volts);
        }
    }

    /// Fault 53: whatever a journal names, nothing outside the folder of captures is read.
    #[test]
    fn fault_53_a_journal_names_no_file_outside_its_captures() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join(CAPTURES_FOLDER)).unwrap();
        let named = |file: &str| {
            let stored = CaptureRef { file: file.into(), sha256: String::new() };
            load(&MachineDisk, folder.path(), &stored).unwrap_err().to_string()
        };
        for file in [
            "../../etc/passwd",
            "/etc/passwd",
            "captures/../../../etc/passwd",
            "captures//etc/passwd",
            "captures/a/../../b",
            "captures/..",
            "captures/.",
            "captures/",
            "captures",
            "journal.jsonl",
            "captures/a/",
            "",
        ] {
            assert!(named(file).contains("nothing was read"), "{file}: {}", named(file));
        }
        assert!(named("captures/000007.cap").contains("No such file"));
        std::os::unix::fs::symlink("/etc/passwd", folder.path().join("captures/000007.cap")).unwrap();
        assert!(named("captures/000007.cap").contains("symbolic link"));
    }
}
