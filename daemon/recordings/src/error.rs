//! Why a recording can't be used.

/// What is wrong, where, and what to do next. The caller adds the file's name.
#[derive(Debug, thiserror::Error)]
pub enum RecordingError {
    /// The bytes could not be read.
    #[error("can't be read: {0}; check the path, its permissions and the disk")]
    Unreadable(#[source] std::io::Error),
    /// There is no byte.
    #[error("is empty; record or export it again")]
    Empty,
    /// Some other format.
    #[error("is {kind}, which is not read; convert it to WAV (PCM or float) or to CSV with a time column")]
    Foreign {
        /// What it looks like.
        kind: &'static str,
    },
    /// A WAV header that can't be used.
    #[error("has a WAV header that can't be used ({why}); export it again as WAV, PCM or float")]
    Header {
        /// What is wrong with it.
        why: String,
    },
    /// The WAV data end before the header says.
    #[error(
        "ends after {frames} of the {promised} samples per channel that its header promises; copy or record it again"
    )]
    Truncated {
        /// Whole samples per channel that are there.
        frames: u64,
        /// Samples per channel promised.
        promised: u64,
    },
    /// Nothing was recorded, or nothing lies in the part asked for.
    #[error("holds no samples in the part asked for; record it again, or choose another part")]
    NoSamples,
    /// More than is taken at once.
    #[error(
        "holds more than {max} samples per channel; take a part of it (--skip S --seconds S), or cut the file"
    )]
    TooLong {
        /// The limit.
        max: usize,
    },
    /// More channels than are read.
    #[error("has {channels} channels, more than {max}; export fewer")]
    TooManyChannels {
        /// Channels in the file.
        channels: usize,
        /// The limit.
        max: usize,
    },
    /// A sample rate that is no use.
    #[error(
        "has a sample rate of {fs_hz} Hz, not one above 0 and up to 2 MHz; check the recorder's setting, or the time column's unit"
    )]
    Rate {
        /// The rate, in Hz.
        fs_hz: f64,
    },
    /// The channel asked for is not there.
    #[error(
        "has {channels} channel{} and no channel {wanted}; choose one from 1 to {channels}, or record the missing one too",
        if *channels == 1 { "" } else { "s" }
    )]
    NoSuchChannel {
        /// Channel asked for, from 1.
        wanted: usize,
        /// Channels in the file.
        channels: usize,
    },
    /// A column that says by its title that it is not in volts or amperes, while nothing says what one of it is.
    #[error(
        "the column titled `{title}` is in {unit}: say how many {wanted} one of it is (for plain {unit}, {option} {factor:e})"
    )]
    Unit {
        /// The column's title.
        title: String,
        /// The unit found in it.
        unit: &'static str,
        /// What it should be in.
        wanted: &'static str,
        /// The option that says so.
        option: &'static str,
        /// The unit, in volts or amperes.
        factor: f64,
    },
    /// No line of a table is made of numbers.
    #[error(
        "has no line with a time and a value as numbers; give columns separated by comma, semicolon or tab, with a point as decimal mark"
    )]
    NoTable,
    /// The only column that could be time counts samples.
    #[error(
        "column {column}, `{title}`, counts samples, and no column tells the time; export again with a column of times, or \
         make one: samples divided by the sample rate"
    )]
    NoTime {
        /// Column, from 1.
        column: usize,
        /// Its title.
        title: String,
    },
    /// A field of a table is not a number.
    #[error(
        "line {line}, column {column}: `{text}` is not a finite number; repair or remove the line's cause, then export again with a point as decimal mark"
    )]
    NotANumber {
        /// Line, from 1.
        line: u64,
        /// Column, from 1.
        column: usize,
        /// What stands there, shortened.
        text: String,
    },
    /// A field of a table is empty or absent.
    #[error(
        "line {line}, column {column}: the value is missing; every sample is needed, so export or record again"
    )]
    Missing {
        /// Line, from 1.
        line: u64,
        /// Column, from 1.
        column: usize,
    },
    /// A line with more fields than the table has columns.
    #[error(
        "line {line}: has {fields} fields where the table has {columns} columns; export again with a point as decimal mark"
    )]
    TooManyFields {
        /// Line, from 1.
        line: u64,
        /// Fields found.
        fields: usize,
        /// Columns of the table.
        columns: usize,
    },
    /// Fewer than two samples: no sample rate.
    #[error("line {line}: one line of numbers tells no sample rate; record or export more")]
    OneLine {
        /// Line, from 1.
        line: u64,
    },
    /// Times that are not evenly spaced.
    #[error(
        "line {line}: the time steps by {step_s:.4e} s where {usual_s:.4e} s is usual; samples are missing, or times have too few digits: export at an even sample rate with more digits"
    )]
    UnevenTime {
        /// Line, from 1.
        line: u64,
        /// Step to this line from the one before, in s.
        step_s: f64,
        /// Usual step, in s.
        usual_s: f64,
    },
    /// Time that drifts against an even clock.
    #[error("line {line}: the time is {off_s:.2e} s off an even sample clock; export at an even sample rate")]
    DriftingTime {
        /// Line, from 1.
        line: u64,
        /// Distance from the best even clock, in s.
        off_s: f64,
    },
}
