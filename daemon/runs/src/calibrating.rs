//! Points for calibrating one digitizer input: what is applied to it, by the amplifier itself or from outside, and what its
//! converter sees of that. A person, a reference meter and a fit come on top, elsewhere.

use wattproof_bench::{Bench, BenchError, BenchFile, CalibratedChannel, ChannelCaptured, Measures};
use wattproof_guard::Limits;
use wattproof_method::calibration::Kind;
use wattproof_method::selfcheck::SmallLevel;

use crate::selfcheck::tone;
use crate::served::served;
use crate::{Nameplate, RunError};

/// Length of a record: whole cycles of any mains, and of tones from 10 Hz on in steps of that, s.
const RECORD_S: f64 = 0.1;
/// Shares of what starts the guard's clock at power, of an input's range, and of the rated voltage that are used: a point
/// may stand as long as a person takes to read a meter, and must be clean.
const OF_POWER_FROM: f64 = 0.9;
const OF_RANGE: f64 = 0.8;
const OF_RATED: f64 = 0.6;

/// What a converter sees of what is applied: its mean, or the rms of its tone, V.
#[derive(Debug, Clone, Default)]
pub struct Looks(Vec<f64>);

impl Looks {
    /// Mean and its standard uncertainty by scatter, V (JCGM 100:2008, 4.2.3); one look has none of its own.
    #[must_use]
    pub fn mean(&self) -> (f64, f64) {
        let count = self.0.len().max(1) as f64;
        let mean = self.0.iter().sum::<f64>() / count;
        let squares: f64 = self.0.iter().map(|value| (value - mean).powi(2)).sum();
        (mean, if count > 1.0 { (squares / (count * (count - 1.0))).sqrt() } else { 0.0 })
    }
}

/// Looks at one input while everything is off and whatever is there comes from outside.
///
/// # Errors
/// [`RunError::Bench`]; [`RunError::Implausible`] when there is no tone in what should be one.
pub fn look_outside(
    bench: &Bench,
    input: &CalibratedChannel,
    kind: Kind,
    hz: f64,
    looks: &mut Looks,
) -> Result<(), RunError> {
    let samples = (RECORD_S * bench.file().digitizer.rate_hz).ceil() as usize;
    let channels = bench.record_outside(samples)?;
    looks.0.push(seen(&channels, input, kind, hz, bench.file())?);
    Ok(())
}

/// What the converter of `input` saw, V.
fn seen(
    channels: &[ChannelCaptured],
    input: &CalibratedChannel,
    kind: Kind,
    hz: f64,
    file: &BenchFile,
) -> Result<f64, RunError> {
    let side = file.side_of(input);
    let missing = |what: &str| {
        RunError::Implausible(format!("input {} shows {what}: see its lead and range", input.adc))
    };
    let channel = channels.iter().find(|channel| channel.amplifier_channel == input.amplifier_channel);
    let samples = channel.and_then(|channel| match (input.measures, &channel.sides, side) {
        (Measures::Volts, Some(sides), Some(side)) => sides.get(side),
        (Measures::Volts, ..) => Some(&channel.capture.volts),
        (Measures::Amps, ..) => channel.capture.amps.as_ref(),
    });
    let (samples, fs_hz) =
        samples.zip(channel.map(|channel| channel.capture.fs_hz)).ok_or_else(|| missing("no samples"))?;
    match kind {
        Kind::Dc => {
            let mean = samples.iter().sum::<f64>() / samples.len().max(1) as f64;
            Ok(mean / input.gain + input.offset_v)
        }
        Kind::Ac => {
            let tone = tone(samples, fs_hz, hz, file.mains_hz).ok_or_else(|| missing("no tone"))?;
            Ok(tone.rms / input.gain)
        }
    }
}

/// The amplifier as the source of what an input is calibrated with.
pub struct Applied<'a> {
    bench: &'a Bench,
    input: CalibratedChannel,
    hz: f64,
    load_ohm: f64,
    /// Source level that the highest point takes, V rms.
    level_vrms_max: f64,
    /// What the input shows for a volt of the source, V or A, by its present gain.
    per_level: f64,
    rest: (f64, f64),
}

impl<'a> Applied<'a> {
    /// Looks at the input at rest, then powers the amplifier and finds how loud it may be: into the highest load for a
    /// voltage, into the lowest for a current. The bench must be armed.
    ///
    /// # Errors
    /// [`RunError::Bench`]; [`RunError::Implausible`] when nothing comes out.
    pub fn begin(
        bench: &'a Bench,
        input: &CalibratedChannel,
        plate: &Nameplate,
        hz: f64,
    ) -> Result<Self, RunError> {
        let ratings = served(bench.file(), plate);
        let loads = ratings.iter().map(|(_, rating)| rating.load_ohm);
        let load_ohm = match input.measures {
            Measures::Volts => loads.reduce(f64::max),
            Measures::Amps => loads.reduce(f64::min),
        };
        let least =
            |pick: fn(&crate::Rating) -> f64| ratings.iter().map(|(_, rating)| pick(rating)).reduce(f64::min);
        let (load_ohm, watts, supply_v) = load_ohm
            .zip(least(crate::Rating::load_w))
            .zip(least(|rating| rating.supply_v))
            .map(|((load_ohm, watts), supply_v)| (load_ohm, watts, supply_v))
            .ok_or_else(|| {
                RunError::Call(
                    "the nameplate has no rating that this bench is wired for, to calibrate at".into(),
                )
            })?;
        let mut rest = Looks::default();
        for _ in 0..4 {
            let channels = bench.capture_short(hz, RECORD_S)?.channels;
            rest.0.push(seen(&channels, input, Kind::Dc, hz, bench.file())?);
        }
        bench.set_load(load_ohm)?;
        bench.set_supply(supply_v)?;
        bench.supply_on()?;
        bench.set_frequency(hz)?;
        bench.set_driven(bench.file().amplifier_channels());
        bench.settle()?;
        let limits = bench.limits();
        let source_vrms_max = limits.source_vrms_max.min(bench.source_vrms_max());
        let small = SmallLevel::new(watts, watts * f64::from(plate.channels), load_ohm, source_vrms_max);
        let mut applied = Applied {
            bench,
            input: input.clone(),
            hz,
            load_ohm,
            level_vrms_max: source_vrms_max,
            per_level: 0.0,
            rest: rest.mean(),
        };
        applied.find_gain(&small)?;
        applied.level_vrms_max = applied.highest(&limits, watts).min(source_vrms_max);
        Ok(applied)
    }

    /// The input at rest: what its converter saw, V, with its standard uncertainty.
    #[must_use]
    pub fn rest_v(&self) -> (f64, f64) {
        self.rest
    }

    /// The highest source level that is played, V rms.
    #[must_use]
    pub fn level_vrms_max(&self) -> f64 {
        self.level_vrms_max
    }

    /// What the input will show at a level by its present gain, V or A rms.
    #[must_use]
    pub fn expected(&self, level_vrms: f64) -> f64 {
        self.per_level * level_vrms
    }

    /// Volts between the output's terminals for a volt or an ampere that the input shows.
    fn volts_per_shown(&self) -> f64 {
        match (self.input.measures, self.bench.file().side_of(&self.input)) {
            (Measures::Amps, _) => self.load_ohm,
            // The other side gives as much.
            (Measures::Volts, Some(_)) => 2.0,
            (Measures::Volts, None) => 1.0,
        }
    }

    fn find_gain(&mut self, small: &SmallLevel) -> Result<(), RunError> {
        let mut level_vrms = small.start_vrms();
        self.bench.set_level(level_vrms)?;
        self.bench.source_on()?;
        loop {
            self.bench.settle()?;
            let shown = self.look_once().ok().map(|adc_v| adc_v * self.input.gain);
            let out_vrms = shown.map(|shown| shown * self.volts_per_shown());
            match small.next(level_vrms, out_vrms, None) {
                Some(next_vrms) => level_vrms = next_vrms,
                None => {
                    let shown = shown.ok_or_else(|| {
                        RunError::Implausible(format!(
                            "input {} shows nothing of what is played: `wattproof selfcheck` looks where it stays",
                            self.input.adc
                        ))
                    })?;
                    self.per_level = shown / level_vrms;
                    return Ok(());
                }
            }
            self.bench.set_level(level_vrms)?;
        }
    }

    /// The source level at which the output is as loud as it may be for as long as a person likes.
    fn highest(&self, limits: &Limits, watts: f64) -> f64 {
        let by_power = OF_POWER_FROM * (limits.power_w_from * self.load_ohm).sqrt();
        let by_rating = OF_RATED * (watts * self.load_ohm).sqrt();
        let by_range =
            OF_RANGE * self.input.full_scale(self.input.range_v) / 2f64.sqrt() * self.volts_per_shown();
        by_power.min(by_rating).min(by_range) / (self.per_level * self.volts_per_shown())
    }

    /// Plays a level and waits until it has settled.
    ///
    /// # Errors
    /// [`RunError::Bench`]; [`RunError::Call`] for a level above the highest.
    pub fn play(&self, level_vrms: f64) -> Result<(), RunError> {
        if !(level_vrms > 0.0 && level_vrms <= self.level_vrms_max * (1.0 + 1e-9)) {
            return Err(RunError::Call(format!(
                "a level of {level_vrms} V rms can't stand while a meter is read: from above 0 to {:.4} V rms here",
                self.level_vrms_max
            )));
        }
        self.bench.set_level(level_vrms)?;
        Ok(self.bench.settle()?)
    }

    /// Looks at what is played.
    ///
    /// # Errors
    /// [`RunError::Bench`]; [`RunError::Implausible`] when there is no tone.
    pub fn look(&self, looks: &mut Looks) -> Result<(), RunError> {
        looks.0.push(self.look_once()?);
        Ok(())
    }

    fn look_once(&self) -> Result<f64, RunError> {
        let channels = self.bench.capture_short(self.hz, RECORD_S)?.channels;
        seen(&channels, &self.input, Kind::Ac, self.hz, self.bench.file())
    }

    /// Source and supply off.
    ///
    /// # Errors
    /// [`BenchError`]; the guard has tripped.
    pub fn end(self) -> Result<(), BenchError> {
        self.bench.source_off()?;
        self.bench.supply_off()
    }
}
