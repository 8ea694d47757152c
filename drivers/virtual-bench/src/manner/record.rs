use serde::Deserialize;

/// In which form an instrument hands out its records.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RecordSpec {
    pub kind: Kind,
    #[serde(default)]
    pub little: bool,
    /// `#0` and no length.
    #[serde(default)]
    pub indefinite: bool,
    /// The first sample of each channel, then the second of each.
    #[serde(default)]
    pub interleaved: bool,
    /// Code at the end of the range; the code of an integer kind is volts / range × this, plus `zero_code`.
    #[serde(default)]
    pub full_code: f64,
    #[serde(default)]
    pub zero_code: f64,
    /// Stands between the numbers of a list.
    #[serde(default = "comma")]
    pub separator: String,
}

fn comma() -> String {
    ",".into()
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Kind {
    /// Volts as text.
    List,
    Int16,
    Int32,
    Real32,
    Real64,
}

impl RecordSpec {
    pub fn complaint(&self) -> Option<String> {
        let integer = matches!(self.kind, Kind::Int16 | Kind::Int32);
        let top = if self.kind == Kind::Int16 { f64::from(i16::MAX) } else { f64::from(i32::MAX) };
        (integer && !(self.full_code >= 1.0 && self.full_code + self.zero_code.abs() <= top))
            .then(|| "`full_code` and `zero_code` must fit the kind".into())
    }

    /// A record of one list of volts per channel, with each channel's range, V peak; without the end of the answer.
    pub fn written(&self, channels_v: &[Vec<f64>], ranges_v: &[f64]) -> Vec<u8> {
        let points = channels_v.iter().map(Vec::len).min().unwrap_or(0);
        let order: Vec<(usize, usize)> = if self.interleaved {
            (0..points).flat_map(|point| (0..channels_v.len()).map(move |channel| (channel, point))).collect()
        } else {
            (0..channels_v.len()).flat_map(|channel| (0..points).map(move |point| (channel, point))).collect()
        };
        let values = order.into_iter().filter_map(|(channel, point)| {
            let volts = channels_v.get(channel)?.get(point)?;
            Some((*volts, *ranges_v.get(channel)?))
        });
        if self.kind == Kind::List {
            let texts: Vec<String> = values.map(|(volts, _)| format!("{volts:.7E}")).collect();
            return texts.join(&self.separator).into_bytes();
        }
        let mut payload = Vec::new();
        for (volts, range_v) in values {
            self.put(volts, range_v, &mut payload);
        }
        let header = if self.indefinite {
            "#0".to_owned()
        } else {
            let length = payload.len().to_string();
            format!("#{}{length}", length.len())
        };
        [header.as_bytes(), &payload].concat()
    }

    fn put(&self, volts: f64, range_v: f64, payload: &mut Vec<u8>) {
        let code = (volts / range_v * self.full_code + self.zero_code).round();
        let mut bytes = match self.kind {
            Kind::List => Vec::new(),
            Kind::Int16 => (code.clamp(-32_768.0, 32_767.0) as i16).to_be_bytes().to_vec(),
            Kind::Int32 => {
                (code.clamp(f64::from(i32::MIN), f64::from(i32::MAX)) as i32).to_be_bytes().to_vec()
            }
            Kind::Real32 => (volts as f32).to_be_bytes().to_vec(),
            Kind::Real64 => volts.to_be_bytes().to_vec(),
        };
        if self.little {
            bytes.reverse();
        }
        payload.extend(bytes);
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may stop at once")]

    use super::*;

    fn spec(text: &str) -> RecordSpec {
        toml::from_str(text).unwrap()
    }

    #[test]
    fn records_are_written_as_they_say() {
        // Bytes by two's complement and IEEE 754; blocks by IEEE 488.2, 8.7.9 and 8.7.10 (from memory).
        let volts = [vec![1.0, -1.0], vec![0.5, 0.0]];
        let ranges = [2.0, 1.0];
        let packed = spec(
            "kind = \"int16\"\nlittle = true\nindefinite = true\ninterleaved = true\nfull_code = 256.0\nzero_code = 2.0",
        );
        assert_eq!(packed.written(&volts, &ranges), b"#0\x82\x00\x82\x00\x82\xff\x02\x00");
        let plain = spec("kind = \"real32\"");
        assert_eq!(
            plain.written(&volts, &ranges),
            b"#216\x3f\x80\x00\x00\xbf\x80\x00\x00\x3f\x00\x00\x00\x00\x00\x00\x00"
        );
        let list = spec("kind = \"list\"\nseparator = \";\"");
        assert_eq!(list.written(&volts[..1], &ranges), b"1.0000000E0;-1.0000000E0");
        assert!(spec("kind = \"int16\"\nfull_code = 40000.0").complaint().is_some());
    }
}
