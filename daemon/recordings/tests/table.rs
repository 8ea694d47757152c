//! CSV tables. Layout: RFC 4180, and what measuring instruments write (common practice, no source).

use std::io::Read;

use wattproof_recordings::{Choice, Recording, RecordingError, Wanted, read};

fn table(text: &str) -> Result<Recording, RecordingError> {
    read(text.as_bytes(), &Wanted::default())
}

#[test]
fn separators_headers_and_units() {
    let files = [
        "time,volts,amps\n0,1,5\n0.001,2,6\n0.002,3,7\n",
        "\u{feff}Zeit;U;I\r\n0;1;5\r\n1e-3;2;6\r\n2e-3;3;7\r\n",
        "0\t1\t5\n0.001\t2\t6\n0.002\t3\t7",
        "Model,invented\n# note, 5\nTime (ms),CH1,CH2\n-1,1,5\n0,2,6\n1,3,7\n",
        "x-axis,1,2\nsecond,Volt,Volt\n0.0,1.0,5.0,\n0.001,2.0,6.0,\n0.002,3.0,7.0,\n",
        "n,t_us,u,i\n0,0,1,5\n1,1000,2,6\n2,2000,3,7\n",
        "\"V\",\"A\",\"time\"\n\"1\",\"5\",\"0\"\n\"2\",\"6\",\"0.001\"\n\"3\",\"7\",\"0.002\"\n",
        "4,1,5\n3,1.001,6\n9,1.002,7\n",
        // A comma as decimal mark, among other separators and within quotes.
        "# a, b\nZeit;U;I\n0,000;1,0;5,0\n0,001;2,0;6,0\n0,002;3,0;7,0\n",
        "Zeit\tU\tI\n0\t1\t5\n1e-3\t2\t6,0\n2,0e-3\t3\t7\n",
        "\"Zeit\",\"U\",\"I\"\n\"0,000\",\"1,5\",\"5\"\n\"0,001\",\"2,5\",\"6,0\"\n\"0,002\",\"3\",\"7\"\n",
    ];
    for text in files {
        let found = table(text).unwrap_or_else(|error| panic!("{text}: {error}"));
        assert!((found.fs_hz - 1000.0).abs() < 1e-6, "{text}: {}", found.fs_hz);
        let last = found.channels.last().unwrap();
        assert_eq!(last.samples, [5.0, 6.0, 7.0], "{text}");
        assert!(!found.relative && last.limit.is_none());
    }
    let named = table(files[0]).unwrap();
    assert_eq!(named.channels[1].name.as_deref(), Some("amps"));
}

#[test]
fn faults_are_told_by_line_and_column() {
    let rows = |bad: &str| format!("t,u,i\n0,1,2\n0.001,1,2\n{bad}\n0.003,1,2\n0.004,1,2\n");
    let faults = [
        ("0.002,,2", "line 4, column 2: the value is missing"),
        ("0.002,1", "line 4, column 3: the value is missing"),
        ("0.002,1,abc", "line 4, column 3: `abc`"),
        ("0.002,nan,2", "line 4, column 2: `nan`"),
        ("0.002,1,2,3", "line 4: has 4 fields"),
        ("0.0025,1,2", "line 4: the time steps"),
        ("0.001,1,2", "line 4: the time steps"),
        // An empty line is where a sample is missing.
        ("", "line 4: the time steps"),
    ];
    for (bad, expected) in faults {
        let error = table(&rows(bad)).unwrap_err().to_string();
        assert!(error.starts_with(expected) && error.contains(';'), "{bad}: {error}");
    }
    for text in ["", "a,b\nc,d\n", "hello", "1\n2\n3\n"] {
        let error = table(text).unwrap_err();
        assert!(matches!(error, RecordingError::NoTable | RecordingError::Empty), "{text}: {error}");
    }
    // Points and commas together: which one parts thousands can't be told.
    let mixed = table("t;u\n0.000;1,5\n0.001;1,6\n").unwrap_err().to_string();
    assert!(mixed.contains("point as decimal mark"), "{mixed}");
    assert!(table("t,u\n0,1\n").unwrap_err().to_string().starts_with("line 2: one line"));
    let fast = table("t,u\n0,1\n1e-7,2\n2e-7,1\n").unwrap_err();
    assert!(matches!(fast, RecordingError::Rate { .. }), "{fast}");
}

#[test]
fn a_part_of_the_rows() {
    let text: String = (0..100).map(|n| format!("{},{n}\n", f64::from(n) / 1000.0)).collect();
    let wanted = Wanted { skip_s: 0.010, length_s: Some(0.003), channels: vec![0] };
    let found = read(text.as_bytes(), &wanted).unwrap();
    assert_eq!(found.channels[0].samples, [10.0, 11.0, 12.0]);
}

#[test]
fn a_count_of_samples_is_neither_time_nor_a_channel() {
    // Common practice of loggers and instruments, no source.
    for text in [
        "idx,time,volts\n0,0,5\n1,0.001,6\n2,0.002,8\n",
        "Sample No.;ms;volts\n1;0;5\n2;1;6\n3;2;8\n",
        "7,0,5\n8,0.001,6\n9,0.002,8\n",
        "time,#,volts\n0,1,5\n0.001,2,6\n0.002,3,8\n",
    ] {
        let found = table(text).unwrap_or_else(|error| panic!("{text}: {error}"));
        assert!((found.fs_hz - 1000.0).abs() < 1e-6, "{text}: {}", found.fs_hz);
        assert_eq!(found.channels.len(), 1, "{text}");
        assert_eq!(found.channels[0].samples, [5.0, 6.0, 8.0], "{text}");
    }
    let error = table("sample,volts\n0,5\n1,6\n2,8\n").unwrap_err();
    assert!(error.to_string().contains("column 1, `sample`, counts samples"), "{error}");
    // Without a title, or with a unit, whole seconds are times.
    for text in ["0,5\n1,6\n2,8\n", "n (s),u\n0,5\n1,6\n2,8\n", "time,n\n0,5\n1,6\n2,8\n"] {
        assert!((table(text).unwrap().fs_hz - 1.0).abs() < 1e-9, "{text}");
    }
}

#[test]
fn the_micro_sign_of_iso_8859_1_is_understood() {
    // ISO 8859-1: 0xb5 is the micro sign.
    let text = b"Zeit (\xb5s);Spannung (V)\r\n0;5\r\n1000;6\r\n2000;8\r\n";
    let found = read(text.as_slice(), &Wanted::default()).unwrap();
    assert!((found.fs_hz - 1000.0).abs() < 1e-6, "{}", found.fs_hz);
}

#[test]
fn units_in_a_line_of_their_own_stay_with_their_column() {
    // What oscilloscopes export, two lines of titles (common practice, no source).
    let found = table("Offset,0 mV\nTime,Channel A\n(ms),(mV)\n\n0,5\n1,6\n2,8\n").unwrap();
    assert_eq!(found.channels[0].name.as_deref(), Some("Channel A (mV)"));
    let choice =
        Choice { volts_channel: 1, amps_channel: None, volts_full_scale: None, amps_full_scale: None };
    assert!(matches!(choice.capture(&found), Err(RecordingError::Unit { unit: "mV", .. })));
}

/// Fault 52: rows, quotes, comments and titles without end come to one soon. The project's own bounds.
#[test]
fn fault_52_a_table_whose_row_never_ends_is_refused_in_bounded_memory() {
    for (begins, goes_on) in [
        ("t,u\n0,1\n0.001,", "9"),
        ("t,u\n0,1\n0.001,\"", "9\n"),
        ("t,u\n0,1\n", "# a comment "),
        ("t,u\n0,1\n0.001", ",9"),
    ] {
        let endless = begins.as_bytes().chain(std::io::repeat(0));
        let pattern = goes_on.as_bytes();
        let mut at = 0;
        let mut taken = 0u64;
        let endless =
            Replaced { inner: endless, skip: begins.len(), pattern, at: &mut at, taken: &mut taken };
        let told = read(endless, &Wanted::default()).unwrap_err().to_string();
        assert!(told.contains("longer than 1 MiB"), "{begins:?} {goes_on:?}: {told}");
        assert!(taken < 4 << 20, "{begins:?} {goes_on:?}: {taken} bytes were read");
    }
    let above = "maker,invented\n".repeat(20_000);
    assert!(matches!(table(&format!("0,1\n{above}")), Err(RecordingError::NotANumber { .. })));
    assert!(matches!(table(&format!("{above}0,1\n0.001,2\n")), Err(RecordingError::NoTable)));
}

/// A source that goes on with a pattern for ever.
struct Replaced<'a, R> {
    inner: R,
    skip: usize,
    pattern: &'a [u8],
    at: &'a mut usize,
    taken: &'a mut u64,
}

impl<R: Read> Read for Replaced<'_, R> {
    fn read(&mut self, buf: &mut [u8]) -> std::io::Result<usize> {
        let count = self.inner.read(buf)?;
        for byte in &mut buf[..count] {
            if self.skip > 0 {
                self.skip -= 1;
            } else {
                *byte = self.pattern[*self.at % self.pattern.len()];
                *self.at += 1;
            }
        }
        *self.taken += count as u64;
        Ok(count)
    }
}
