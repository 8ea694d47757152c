//! What the guardian is told once: the OFF bytes of each port, and how long the daemon may be silent.

use std::os::fd::BorrowedFd;
use std::time::Duration;

use crate::GuardianError;

/// Ports that one guardian can hold.
pub const PORTS_MAX: usize = 8;
/// Longest OFF of a port, bytes.
const OFF_BYTES_MAX: usize = 2048;
/// Longest orders, bytes.
pub(crate) const ORDERS_BYTES_MAX: usize = 8 + PORTS_MAX * (2 + OFF_BYTES_MAX);

/// One port in the guardian's care.
#[derive(Debug)]
pub struct PortOrder<'a> {
    /// The port's descriptor, duplicated into the guardian.
    pub descriptor: BorrowedFd<'a>,
    /// What switches everything on it off, terminators included. A newline is sent ahead of it.
    pub off: Vec<u8>,
}

/// How soon each side misses the other.
#[derive(Debug, Clone, Copy)]
pub struct Timing {
    /// The guardian fires when no heartbeat came for so long.
    pub silence_max: Duration,
    /// The daemon counts the guardian as lost when a heartbeat was not answered for so long.
    pub answer_max: Duration,
}

impl Default for Timing {
    /// 200 ms, so that a hung daemon is answered within 300 ms; half a second for the answer, since a lost guardian
    /// alone energises nothing.
    fn default() -> Self {
        Timing { silence_max: Duration::from_millis(200), answer_max: Duration::from_millis(500) }
    }
}

/// As bytes: how many ports (1 byte), silence in ms (4), then each port's length (2) and bytes.
pub(crate) fn encode(ports: &[PortOrder<'_>], timing: Timing) -> Result<Vec<u8>, GuardianError> {
    let refuse = |what: String| Err(GuardianError::Orders(what));
    if ports.is_empty() || ports.len() > PORTS_MAX {
        return refuse(format!("{} ports, but it takes 1 to {PORTS_MAX}", ports.len()));
    }
    let silence_ms = u32::try_from(timing.silence_max.as_millis()).unwrap_or(0);
    if silence_ms == 0 {
        return refuse(format!("a silence of {:?}", timing.silence_max));
    }
    let mut bytes = vec![u8::try_from(ports.len()).unwrap_or(0)];
    bytes.extend_from_slice(&silence_ms.to_le_bytes());
    for port in ports {
        if port.off.is_empty() || port.off.len() > OFF_BYTES_MAX {
            return refuse(format!("an OFF of {} bytes, but it takes 1 to {OFF_BYTES_MAX}", port.off.len()));
        }
        bytes.extend_from_slice(&u16::try_from(port.off.len()).unwrap_or(0).to_le_bytes());
        bytes.extend_from_slice(&port.off);
    }
    Ok(bytes)
}

/// The OFF bytes of each port, each behind a newline, and the silence.
pub(crate) fn decode(bytes: &[u8]) -> Result<(Vec<Vec<u8>>, Duration), GuardianError> {
    parse(bytes).ok_or_else(|| GuardianError::Orders("they are cut short or too long".into()))
}

fn parse(bytes: &[u8]) -> Option<(Vec<Vec<u8>>, Duration)> {
    let (count, rest) = bytes.split_first()?;
    let (silence_ms, mut rest) = rest.split_first_chunk::<4>()?;
    let mut offs = Vec::new();
    for _ in 0..*count {
        let (length, after) = rest.split_first_chunk::<2>()?;
        let (off, after) = after.split_at_checked(usize::from(u16::from_le_bytes(*length)))?;
        offs.push([b"\n", off].concat());
        rest = after;
    }
    let silence = Duration::from_millis(u64::from(u32::from_le_bytes(*silence_ms)));
    (rest.is_empty() && !offs.is_empty()).then_some((offs, silence))
}

#[cfg(test)]
mod tests {
    use std::os::fd::AsFd;

    use super::*;

    #[test]
    fn orders_survive_the_way() {
        let null = std::fs::File::open("/dev/null").unwrap();
        let order = |off: &[u8]| PortOrder { descriptor: null.as_fd(), off: off.to_vec() };
        let bytes = encode(&[order(b"OUTP1 OFF\n"), order(b"OUTP OFF\r\n")], Timing::default()).unwrap();
        assert!(bytes.len() <= ORDERS_BYTES_MAX);
        let (offs, silence) = decode(&bytes).unwrap();
        assert_eq!(offs, [b"\nOUTP1 OFF\n".to_vec(), b"\nOUTP OFF\r\n".to_vec()]);
        assert_eq!(silence, Duration::from_millis(200));
        for cut in 0..bytes.len() {
            assert!(decode(&bytes[..cut]).is_err(), "cut at {cut}");
        }
        assert!(encode(&[], Timing::default()).is_err());
        assert!(encode(&[order(b"")], Timing::default()).is_err());
        assert!(encode(&[order(&vec![b'A'; OFF_BYTES_MAX + 1])], Timing::default()).is_err());
    }
}
