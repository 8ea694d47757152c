//! How faults change what passes between a bench and an instrument.

use crate::fault::Kind;
use wattproof_turns::Random;

/// A message to an instrument, as a fault leaves it; None when the instrument never gets it.
pub fn message(kind: Kind, line: &[u8], random: &mut Random) -> Option<Vec<u8>> {
    match kind {
        Kind::BitErrorOut => Some(flip(line, random)),
        Kind::SetterIgnored if !is_question(line) && !is_off(line) => None,
        Kind::OffLies | Kind::OffIgnored if is_off(line) => None,
        _ => Some(line.to_vec()),
    }
}

/// Whether a fault has anything to do with a message or its answer.
pub fn concerns(kind: Kind, line: &[u8]) -> bool {
    let text = String::from_utf8_lossy(line).to_ascii_uppercase();
    let question = is_question(line);
    match kind {
        Kind::SetterIgnored => {
            !question && !is_off(line) && !text.trim().is_empty() && !text.trim_start().starts_with('*')
        }
        Kind::OffLies => is_off(line) || text.starts_with("OUTP") && question,
        Kind::OffIgnored => is_off(line),
        Kind::QueueOverflow | Kind::QueryError => text.contains("SYST:ERR?"),
        Kind::BlockShort | Kind::BlockLong | Kind::BlockLies => text.contains("FETC?"),
        Kind::OpcLate => text.contains("*OPC?"),
        Kind::NotANumber | Kind::Infinity | Kind::OddNumber => {
            question && !text.contains("*IDN?") && !text.contains("FETC?")
        }
        Kind::Frozen | Kind::Disagrees | Kind::SensorOff => text.contains("MEAS"),
        Kind::BitErrorOut | Kind::OutputBlocked | Kind::HangUp | Kind::Reboot => true,
        Kind::BitErrorIn | Kind::LateReply | Kind::SurplusReply | Kind::Echo | Kind::Dribble => question,
        Kind::UnplugMidReply | Kind::NoTerminator | Kind::NulsAndCr => question,
        _ => false,
    }
}

/// An answer, as a fault leaves it. `frozen` is what the same question was answered when the fault began.
pub fn answer(kind: Kind, line: &[u8], said: Vec<u8>, frozen: Option<&[u8]>, random: &mut Random) -> Vec<u8> {
    match kind {
        Kind::Echo => [line, b"\n", &said].concat(),
        Kind::SurplusReply => [said.as_slice(), &said].concat(),
        Kind::NoTerminator => said.strip_suffix(b"\n").map_or(said.clone(), <[u8]>::to_vec),
        Kind::NulsAndCr => {
            let mut bytes = vec![0];
            bytes.extend_from_slice(said.strip_suffix(b"\n").unwrap_or(&said));
            bytes.extend_from_slice(if random.once_in(2) { b"\r\n" } else { b"\0\n" });
            bytes
        }
        Kind::BitErrorIn => flip(&said, random),
        Kind::QueueOverflow => b"-350,\"Queue overflow\"\n".to_vec(),
        Kind::QueryError => {
            let which = [
                "-410,\"Query INTERRUPTED\"\n",
                "-420,\"Query UNTERMINATED\"\n",
                "-430,\"Query DEADLOCKED\"\n",
            ];
            which.get(random.below(3)).map_or(said, |text| text.as_bytes().to_vec())
        }
        Kind::BlockShort => cut(&said, 1 + random.below(40)),
        Kind::BlockLong => {
            let body = said.strip_suffix(b"\n").unwrap_or(&said);
            [body, &[0x55; 8][..], b"\n"].concat()
        }
        Kind::BlockLies => lying_header(said, random),
        Kind::NotANumber => b"9.91E37\n".to_vec(),
        Kind::Infinity => {
            if random.once_in(2) {
                b"9.9E37\n".to_vec()
            } else {
                b"-9.9E37\n".to_vec()
            }
        }
        Kind::OddNumber => odd(&said, random),
        Kind::OffLies => b"0\n".to_vec(),
        Kind::Frozen => frozen.map_or(said.clone(), <[u8]>::to_vec),
        Kind::Disagrees => scaled(&said),
        Kind::SensorOff => {
            if random.once_in(2) {
                b"9.91E37\n".to_vec()
            } else {
                b"-273.15\n".to_vec()
            }
        }
        _ => said,
    }
}

/// Whether an instrument is asked something.
pub fn is_question(line: &[u8]) -> bool {
    line.contains(&b'?')
}

fn is_off(line: &[u8]) -> bool {
    let text = String::from_utf8_lossy(line).to_ascii_uppercase();
    text.starts_with("OUTP") && (text.ends_with("OFF") || text.ends_with(" 0"))
}

fn flip(bytes: &[u8], random: &mut Random) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    let at = random.below(bytes.len());
    if let Some(byte) = bytes.get_mut(at) {
        *byte ^= 1 << random.below(8);
    }
    bytes
}

fn cut(said: &[u8], count: usize) -> Vec<u8> {
    let mut bytes = said.get(..said.len().saturating_sub(count + 1)).unwrap_or_default().to_vec();
    bytes.push(b'\n');
    bytes
}

/// `#` digit digits: one digit of the length is changed.
fn lying_header(mut said: Vec<u8>, random: &mut Random) -> Vec<u8> {
    let digits = said.get(1).map_or(0, |byte| usize::from(byte.saturating_sub(b'0')));
    if said.first() == Some(&b'#')
        && let Some(byte) = said.get_mut(2 + random.below(digits))
    {
        *byte = b'0' + ((*byte).wrapping_sub(b'0') + 1 + random.below(8) as u8) % 10;
    }
    said
}

fn odd(said: &[u8], random: &mut Random) -> Vec<u8> {
    let text = String::from_utf8_lossy(said).trim_end().to_string();
    let odd = match random.below(4) {
        0 => text.replace('.', ","),
        1 => format!("{text} V"),
        2 => String::new(),
        _ => format!("{text},{text}"),
    };
    format!("{odd}\n").into_bytes()
}

fn scaled(said: &[u8]) -> Vec<u8> {
    let text = String::from_utf8_lossy(said);
    text.trim().parse::<f64>().map_or(said.to_vec(), |value| format!("{}\n", value * 0.4).into_bytes())
}
