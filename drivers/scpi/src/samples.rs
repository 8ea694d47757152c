//! Sample records inside blocks: INTeger,16|32 and REAL,32|64 in both byte orders (SCPI-1999 volume 2, 9).

/// How one sample is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SampleFormat {
    /// Two's complement, 16 bits.
    Int16,
    /// Two's complement, 32 bits.
    Int32,
    /// IEEE 754 single precision.
    Real32,
    /// IEEE 754 double precision.
    Real64,
}

/// Which byte of a sample comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ByteOrder {
    /// Most significant first: `FORMat:BORDer NORMal`.
    Big,
    /// Least significant first: `FORMat:BORDer SWAPped`.
    Little,
}

/// A record that cannot be read or written.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SampleError {
    /// The length is not a whole number of samples.
    #[error(
        "a block of {length_bytes} bytes is not a whole number of {sample_bytes}-byte samples; check the format the instrument was set to"
    )]
    Length {
        /// Bytes in the block.
        length_bytes: usize,
        /// Bytes of one sample.
        sample_bytes: usize,
    },
    /// A value does not fit the format.
    #[error("sample {index} is {value}, which {format:?} cannot hold; scale it or choose a wider format")]
    Range {
        /// Which sample, from 0.
        index: usize,
        /// Its value.
        value: f64,
        /// The format.
        format: SampleFormat,
    },
}

impl SampleFormat {
    /// Bytes of one sample.
    #[must_use]
    pub fn bytes(self) -> usize {
        match self {
            Self::Int16 => 2,
            Self::Int32 | Self::Real32 => 4,
            Self::Real64 => 8,
        }
    }
}

/// Reads a record.
///
/// # Errors
/// The length is not a whole number of samples.
pub fn decode(payload: &[u8], format: SampleFormat, order: ByteOrder) -> Result<Vec<f64>, SampleError> {
    use ByteOrder::{Big, Little};
    if !payload.len().is_multiple_of(format.bytes()) {
        return Err(SampleError::Length { length_bytes: payload.len(), sample_bytes: format.bytes() });
    }
    Ok(match (format, order) {
        (SampleFormat::Int16, Big) => read(payload, |b| f64::from(i16::from_be_bytes(b))),
        (SampleFormat::Int16, Little) => read(payload, |b| f64::from(i16::from_le_bytes(b))),
        (SampleFormat::Int32, Big) => read(payload, |b| f64::from(i32::from_be_bytes(b))),
        (SampleFormat::Int32, Little) => read(payload, |b| f64::from(i32::from_le_bytes(b))),
        (SampleFormat::Real32, Big) => read(payload, |b| f64::from(f32::from_be_bytes(b))),
        (SampleFormat::Real32, Little) => read(payload, |b| f64::from(f32::from_le_bytes(b))),
        (SampleFormat::Real64, Big) => read(payload, f64::from_be_bytes),
        (SampleFormat::Real64, Little) => read(payload, f64::from_le_bytes),
    })
}

fn read<const N: usize>(payload: &[u8], convert: impl Fn([u8; N]) -> f64) -> Vec<f64> {
    let (samples, _whole_number_checked) = payload.as_chunks::<N>();
    samples.iter().map(|bytes| convert(*bytes)).collect()
}

/// Appends a record to `into`. Integer formats round to the nearest integer.
///
/// # Errors
/// A value that the format cannot hold: out of range, or not a number in an integer format. What was appended
/// before it stays.
pub fn encode(
    values: &[f64],
    format: SampleFormat,
    order: ByteOrder,
    into: &mut Vec<u8>,
) -> Result<(), SampleError> {
    into.reserve(values.len().saturating_mul(format.bytes()));
    for (index, value) in values.iter().enumerate() {
        encode_one(*value, format, order, into).ok_or(SampleError::Range { index, value: *value, format })?;
    }
    Ok(())
}

#[expect(clippy::cast_possible_truncation, reason = "each cast stands behind its range check")]
fn encode_one(value: f64, format: SampleFormat, order: ByteOrder, into: &mut Vec<u8>) -> Option<()> {
    // What is whole already, as most is, needs no call.
    let whole = f64::from(value as i32);
    let rounded = if whole == value { whole } else { value.round() };
    let fits = |min: f64, max: f64| (min..=max).contains(&rounded).then_some(());
    let big = order == ByteOrder::Big;
    match format {
        SampleFormat::Int16 => {
            fits(f64::from(i16::MIN), f64::from(i16::MAX))?;
            let number = rounded as i16;
            into.extend_from_slice(&if big { number.to_be_bytes() } else { number.to_le_bytes() });
        }
        SampleFormat::Int32 => {
            fits(f64::from(i32::MIN), f64::from(i32::MAX))?;
            let number = rounded as i32;
            into.extend_from_slice(&if big { number.to_be_bytes() } else { number.to_le_bytes() });
        }
        SampleFormat::Real32 => {
            let single = value as f32;
            (single.is_finite() || !value.is_finite()).then_some(())?;
            into.extend_from_slice(&if big { single.to_be_bytes() } else { single.to_le_bytes() });
        }
        SampleFormat::Real64 => {
            into.extend_from_slice(&if big { value.to_be_bytes() } else { value.to_le_bytes() });
        }
    }
    Some(())
}
