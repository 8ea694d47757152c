//! How faults change messages and answers: pure, without chance or time.

use super::What;

/// Whether an instrument is asked something.
pub fn is_question(line: &[u8]) -> bool {
    line.contains(&b'?')
}

/// Whether an output is switched off.
pub fn is_off(line: &[u8]) -> bool {
    let text = upper(line);
    text.starts_with("OUTP") && (text.ends_with("OFF") || text.ends_with(" 0"))
}

/// Whether an output is asked for its state.
pub fn asks_for_output(line: &[u8]) -> bool {
    is_question(line) && upper(line).starts_with("OUTP")
}

/// Whether a message begins like this, in any case.
pub fn begins(line: &[u8], beginning: &str) -> bool {
    // A space at the end counts: `VOLT ` is no `VOLT:PROT`.
    upper(line).starts_with(&beginning.trim_start().to_ascii_uppercase())
}

fn upper(line: &[u8]) -> String {
    String::from_utf8_lossy(line).trim().to_ascii_uppercase()
}

/// Whether a kind of fault has anything to do with a message or its answer, when nobody says which.
pub fn concerns(what: &What, line: &[u8]) -> bool {
    let question = is_question(line);
    let text = upper(line);
    match what {
        What::SetterIgnored => !question && !text.is_empty() && !text.starts_with('*') && !is_off(line),
        What::OffIgnored => is_off(line),
        What::OffLies => is_off(line) || asks_for_output(line),
        What::ErrorQueue { .. } => text.starts_with("SYST:ERR?"),
        What::ShortBlock { .. } | What::LongBlock { .. } | What::LyingHeader { .. } => {
            text.starts_with("FETC?")
        }
        What::Nan | What::Sentinel | What::DecimalComma | What::UnitSuffix { .. } | What::Scaled { .. } => {
            question && !text.starts_with('*') && !text.starts_with("SYST") && !text.starts_with("FETC")
        }
        What::Frozen => text.starts_with("MEAS"),
        What::SensorDetached { .. } => text.starts_with("MEAS:TEMP"),
        What::Echo | What::HangUp { .. } | What::Reboot | What::FrontPanel { .. } | What::Blocked => {
            !text.is_empty()
        }
        _ if what.is_of_the_amplifier() => !text.is_empty(),
        _ => question,
    }
}

/// Whether a message struck never gets to its instrument.
pub fn is_lost(what: &What, line: &[u8]) -> bool {
    match what {
        What::SetterIgnored => !is_question(line),
        What::OffIgnored | What::OffLies => is_off(line),
        What::HangUp { after_bytes, .. } => after_bytes.is_none(),
        What::Reboot => true,
        _ => false,
    }
}

/// An answer with its end, as a fault leaves it. `before` is what the same question was answered when all was well.
pub fn answer(what: &What, said: Vec<u8>, before: Option<&[u8]>) -> Vec<u8> {
    match what {
        What::Silent => Vec::new(),
        What::HalfAnswer { bytes } | What::HangUp { after_bytes: Some(bytes), .. } => {
            said.get(..(*bytes).min(said.len().saturating_sub(1))).unwrap_or_default().to_vec()
        }
        What::Garbage { before, after } => [before.as_slice(), &said, after].concat(),
        What::Twice => [said.as_slice(), &said].concat(),
        What::NoTerminator => body(&said).to_vec(),
        What::Nul => [b"\0", body(&said), b"\0\n"].concat(),
        What::FlipBits { mask, byte } => flipped(said, *mask, *byte),
        What::ShortBlock { bytes } => {
            let kept = body(&said).len().saturating_sub(*bytes);
            [said.get(..kept).unwrap_or_default(), b"\n"].concat()
        }
        What::LongBlock { bytes } => [body(&said), &vec![0x55; *bytes], b"\n"].concat(),
        What::LyingHeader { by_bytes } => lying_header(said, *by_bytes),
        What::Nan => b"NAN\n".to_vec(),
        What::Sentinel => b"9.91E37\n".to_vec(),
        What::DecimalComma => said.into_iter().map(|byte| if byte == b'.' { b',' } else { byte }).collect(),
        What::UnitSuffix { unit } => [body(&said), b" ", unit.as_bytes(), b"\n"].concat(),
        What::Blank => b"\n".to_vec(),
        What::Instead { answer } | What::SensorDetached { reads: answer } => {
            format!("{answer}\n").into_bytes()
        }
        What::Scaled { by } => {
            let number = String::from_utf8_lossy(&said).trim().parse::<f64>();
            number.map_or(said, |number| format!("{}\n", number * by).into_bytes())
        }
        What::Frozen => before.map_or(said, <[u8]>::to_vec),
        What::OffLies => b"0\n".to_vec(),
        What::ErrorQueue { number } => {
            let text = match number {
                -350 => "Queue overflow",
                -410 => "Query INTERRUPTED",
                -420 => "Query UNTERMINATED",
                -430 => "Query DEADLOCKED",
                _ => "Device-specific error",
            };
            format!("{number},\"{text}\"\n").into_bytes()
        }
        _ => said,
    }
}

fn body(said: &[u8]) -> &[u8] {
    said.strip_suffix(b"\n").unwrap_or(said)
}

/// The end of the answer is left alone when all bytes are hit, so that it is wrong rather than missing.
fn flipped(mut said: Vec<u8>, mask: u8, byte: Option<usize>) -> Vec<u8> {
    let end = body(&said).len();
    for (at, value) in said.iter_mut().enumerate().take(end) {
        if byte.is_none_or(|byte| byte == at) {
            *value ^= mask;
        }
    }
    said
}

/// `#`, a digit, so many digits of length, the block. The digits keep their number.
fn lying_header(mut said: Vec<u8>, by_bytes: i64) -> Vec<u8> {
    let digits = said.get(1).map_or(0, |byte| usize::from(byte.saturating_sub(b'0')));
    let number = said.get(2..2 + digits).and_then(|text| std::str::from_utf8(text).ok()?.parse::<i64>().ok());
    let (Some(b'#'), Some(number)) = (said.first(), number) else { return said };
    let lie = format!("{:0digits$}", number.saturating_add(by_bytes).max(0));
    for (place, digit) in said.iter_mut().skip(2).zip(lie.bytes().take(digits)) {
        *place = digit;
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spoiled(what: &What, said: &[u8]) -> Vec<u8> {
        answer(what, said.to_vec(), Some(b"1.0\n"))
    }

    // Definite blocks: IEEE 488.2 8.7.9; numbers and sentinels: SCPI-1999 volume 1, 7.2.1. From memory.
    #[test]
    fn answers_are_spoiled_as_named() {
        let block = b"#14abcd\n";
        assert_eq!(spoiled(&What::ShortBlock { bytes: 3 }, block), b"#14a\n");
        assert_eq!(spoiled(&What::LongBlock { bytes: 2 }, block), b"#14abcdUU\n");
        assert_eq!(spoiled(&What::LyingHeader { by_bytes: 3 }, block), b"#17abcd\n");
        assert_eq!(spoiled(&What::LyingHeader { by_bytes: -9 }, block), b"#10abcd\n");
        assert_eq!(spoiled(&What::DecimalComma, b"12.5\n"), b"12,5\n");
        assert_eq!(spoiled(&What::UnitSuffix { unit: "V".into() }, b"12.5\n"), b"12.5 V\n");
        assert_eq!(spoiled(&What::HalfAnswer { bytes: 2 }, b"12.5\n"), b"12");
        assert_eq!(spoiled(&What::HalfAnswer { bytes: 99 }, b"12.5\n"), b"12.5");
        assert_eq!(spoiled(&What::Frozen, b"12.5\n"), b"1.0\n");
        assert_eq!(spoiled(&What::FlipBits { mask: 1, byte: Some(0) }, b"12\n"), b"02\n");
        assert_eq!(spoiled(&What::FlipBits { mask: 0x80, byte: None }, b"1\n"), &[0xB1, b'\n']);
        assert_eq!(spoiled(&What::ErrorQueue { number: -350 }, b"0,\"\"\n"), b"-350,\"Queue overflow\"\n");
        assert_eq!(spoiled(&What::Silent, b"1\n"), b"");
    }

    #[test]
    fn off_is_known_in_every_spelling_and_nothing_else_is() {
        for line in [&b"OUTP OFF"[..], b"outp1 off\n", b"OUTP2:STAT 0", b"OUTPut OFF\r\n"] {
            assert!(is_off(line), "{}", String::from_utf8_lossy(line));
        }
        for line in [&b"OUTP ON"[..], b"OUTP?", b"INP1 OFF", b"VOLT 0", b""] {
            assert!(!is_off(line), "{}", String::from_utf8_lossy(line));
        }
        assert!(begins(b"volt 3\n", "VOLT ") && begins(b"VOLT:PROT 3", "volt"));
        assert!(!begins(b"VOLT:PROT 3", "VOLT ") && !begins(b"VOLT?\n", "VOLT "));
    }
}
