//! The walk through the inputs: connect, apply, read, fit, write.

use std::path::PathBuf;
use std::sync::Arc;

use chrono::NaiveDate;
use wattproof_bench::{Bench, CalibratedChannel, Calibration as Kept};
use wattproof_guard::TripCause;
use wattproof_method::calibration::{
    Calibration, Kind, Meter, Pair, Refused, calibrate, calibrate_confirmed,
};
use wattproof_runs::{Applied, Looks, Nameplate, RunError, look_outside};

use super::outcome::{as_json, title, told, unit};
use super::person::{Person, goes_on, number};
use super::sheet::Sheet;
use super::write::{Found, write_into};
use crate::cli::CalibrateOrder;
use crate::failure::Failure;
use crate::say::{say, say_json_line};

/// Looks before a reading is typed, and after.
const LOOKS: usize = 2;
/// Points that are proposed.
const POINTS: u32 = 6;

/// What the converter saw of a point; what the meter read, with the worth of its last digit.
type ReadPoint = (Looks, (f64, f64));

/// One walk.
pub struct Walk {
    /// The bench file.
    pub path: PathBuf,
    /// The inputs to be calibrated.
    pub inputs: Vec<CalibratedChannel>,
    /// The amplifier that plays.
    pub plate: Option<Nameplate>,
    /// Points that were taken before.
    pub sheet: Option<Sheet>,
    /// What the meter is good for.
    pub meter: Meter,
    /// Which meter it is.
    pub identity: String,
    /// Today.
    pub date: NaiveDate,
    /// Until when it holds.
    pub due: NaiveDate,
    /// What was typed.
    pub order: CalibrateOrder,
}

/// Points as far as they were taken.
struct Taken {
    pairs: Vec<Pair>,
    /// Source levels, where the amplifier plays.
    levels_vrms: Vec<f64>,
    kind: Kind,
    rest_v: (f64, f64),
}

impl Walk {
    /// Every input in turn; the bench is off when this returns, whatever happens.
    pub fn all(&self, bench: &Arc<Bench>, person: &mut Person) -> Result<(), Failure> {
        if !self.order.outside {
            bench.arm()?;
        }
        let mut walked = Ok(());
        for input in &self.inputs {
            walked = self.one(bench, input, person);
            if walked.is_err() {
                break;
            }
        }
        if self.order.outside {
            // Nothing was ever armed; closing the bench looks whether everything is dead.
            return walked;
        }
        let safe = match &walked {
            Ok(()) => bench.finish(),
            Err(error) => bench.make_safe(TripCause::Run { what: error.to_string() }),
        };
        for warning in &safe.warnings {
            aside!("wattproof: {warning}");
        }
        if !safe.is_safe() {
            return Err(Failure::NotSafe);
        }
        if bench.stopper().is_stopped() {
            return Err(Failure::Stopped);
        }
        walked
    }

    fn one(&self, bench: &Bench, input: &CalibratedChannel, person: &mut Person) -> Result<(), Failure> {
        let side = bench.file().side_of(input);
        aside!("\n{}", title(input, side));
        let where_ = match side {
            _ if self.order.outside => "and the calibrator at its input",
            Some(0) => {
                "from the positive side of the bridge to ground (never across the bridge by a grounded lead)"
            }
            Some(_) => {
                "from the negative side of the bridge to ground (never across the bridge by a grounded lead)"
            }
            None => "at the output",
        };
        let asked = person.ask(
            bench,
            &format!("connect the reference meter {where_}, then press Enter (s to skip this input): "),
        )?;
        if asked == "s" {
            return Ok(());
        }
        let (found, taken) = if self.order.outside {
            self.outside(bench, input, person)?
        } else {
            self.through_amplifier(bench, input, person)?
        };
        self.tell(&format!("{}\n{}", title(input, side), told(input, &found)))?;
        let agreed = person.ask(bench, &format!("write this into {} (y/n)? ", self.path.display()))?;
        let agrees = self.sheet.is_some() || agreed == "y";
        let copy = match agrees {
            true => Some(write_into(&self.path, &self.found(input, &found, taken))?),
            false => None,
        };
        match &copy {
            Some(copy) => self.tell(&format!(
                "written into {}; the file as it was: {}",
                self.path.display(),
                copy.display()
            ))?,
            None => aside!("not written"),
        }
        if self.order.json {
            say_json_line(&as_json(input, &found, copy.as_deref()))?;
        }
        Ok(())
    }

    /// For a person: aside where a program reads standard output.
    fn tell(&self, text: &str) -> Result<(), Failure> {
        if self.order.json {
            aside!("{text}");
            return Ok(());
        }
        say(text)
    }

    fn found(&self, input: &CalibratedChannel, found: &Calibration, points: usize) -> Found {
        Found {
            adc: input.adc,
            gain: found.gain,
            offset_v: found.offset_v,
            made: Kept {
                date: self.date.to_string(),
                due: self.due.to_string(),
                meter: self.identity.clone(),
                points,
                highest: found.highest,
                gain_u_pct: found.u_gain_pct,
                offset_u_v: found.u_offset_v,
                linearity_v: found.linearity_v,
                degrees: found.degrees,
            },
        }
    }

    fn through_amplifier(
        &self,
        bench: &Bench,
        input: &CalibratedChannel,
        person: &mut Person,
    ) -> Result<(Calibration, usize), Failure> {
        let plate = self.plate.as_ref().ok_or_else(|| Failure::Said("there is no nameplate".into()))?;
        let applied = Applied::begin(bench, input, plate, self.order.hz)?;
        let mut taken =
            Taken { pairs: Vec::new(), levels_vrms: Vec::new(), kind: Kind::Ac, rest_v: applied.rest_v() };
        if let Some(sheet) = &self.sheet {
            for row in &sheet.rows {
                applied.play(row.level_vrms)?;
                let mut looks = Looks::default();
                for _ in 0..2 * LOOKS {
                    applied.look(&mut looks)?;
                }
                taken.push(row.level_vrms, &looks, (row.reading, row.digit));
            }
        } else {
            for step in 1..=POINTS {
                let level_vrms = applied.level_vrms_max() * f64::from(step) / f64::from(POINTS);
                let (looks, typed) = point(bench, input, &applied, level_vrms, person)?;
                taken.push(level_vrms, &looks, typed);
            }
        }
        let found = loop {
            match calibrate(&taken.pairs, taken.kind, &self.meter, taken.rest_v, input.gain) {
                Err(Refused::Slip { point: number, .. }) if self.sheet.is_none() => {
                    let level_vrms = taken.levels_vrms.get(number - 1).copied().unwrap_or_default();
                    aside!("point {number} does not lie on the line of the others; once more:");
                    let (looks, typed) = point(bench, input, &applied, level_vrms, person)?;
                    if taken.replace(number - 1, &looks, typed) {
                        break calibrate_confirmed(
                            &taken.pairs,
                            taken.kind,
                            &self.meter,
                            taken.rest_v,
                            input.gain,
                        );
                    }
                }
                other => break other,
            }
        };
        applied.end()?;
        let found = found.map_err(|why| self.refused(bench, input, &why))?;
        Ok((found, taken.pairs.len()))
    }

    fn outside(
        &self,
        bench: &Bench,
        input: &CalibratedChannel,
        person: &mut Person,
    ) -> Result<(Calibration, usize), Failure> {
        let kind = if self.order.alternating { Kind::Ac } else { Kind::Dc };
        let look = |looks: &mut Looks| {
            (0..LOOKS).try_for_each(|_| look_outside(bench, input, kind, self.order.hz, looks))
        };
        let mut taken = Taken { pairs: Vec::new(), levels_vrms: Vec::new(), kind, rest_v: (0.0, 0.0) };
        if kind == Kind::Ac {
            person.ask(bench, "short the input, or set the calibrator to nothing, then press Enter: ")?;
            let mut rest = Looks::default();
            for _ in 0..2 * LOOKS {
                look_outside(bench, input, Kind::Dc, self.order.hz, &mut rest)?;
            }
            taken.rest_v = rest.mean();
        }
        aside!(
            "apply values over the range that is used, of both signs where they are direct; an empty line ends."
        );
        let found = loop {
            let number = taken.pairs.len() + 1;
            let mut confirmed = None;
            let Some((looks, typed)) = outside_point(bench, input, number, person, &look)? else {
                match calibrate(&taken.pairs, kind, &self.meter, taken.rest_v, input.gain) {
                    Err(Refused::Slip { point, .. }) => {
                        aside!("point {point} does not lie on the line of the others; apply it once more:");
                        if let Some((looks, typed)) = outside_point(bench, input, point, person, &look)?
                            && taken.replace(point - 1, &looks, typed)
                        {
                            confirmed = Some(());
                        }
                    }
                    other => break other,
                }
                if confirmed.is_some() {
                    break calibrate_confirmed(&taken.pairs, kind, &self.meter, taken.rest_v, input.gain);
                }
                continue;
            };
            taken.push(0.0, &looks, typed);
        };
        person.ask(bench, "take the calibrator off, then press Enter: ")?;
        let found = found.map_err(|why| self.refused(bench, input, &why))?;
        Ok((found, taken.pairs.len()))
    }

    /// Why nothing is written; a point of a sheet is placed in its file.
    fn refused(&self, bench: &Bench, input: &CalibratedChannel, why: &Refused) -> Failure {
        let line = match (why, &self.sheet) {
            (Refused::Slip { point, .. } | Refused::NoNumber { point }, Some(sheet)) => {
                sheet.rows.get(point - 1).map(|row| format!("{}:{}: ", sheet.path.display(), row.line))
            }
            _ => None,
        };
        Failure::Said(format!(
            "{}{}: {why}; nothing was written for it",
            line.unwrap_or_default(),
            title(input, bench.file().side_of(input))
        ))
    }
}

impl Taken {
    fn pair(looks: &Looks, (reading, digit): (f64, f64)) -> Pair {
        let (adc_v, u_adc_v) = looks.mean();
        Pair { adc_v, u_adc_v, reading, digit }
    }

    fn push(&mut self, level_vrms: f64, looks: &Looks, typed: (f64, f64)) {
        self.pairs.push(Self::pair(looks, typed));
        self.levels_vrms.push(level_vrms);
    }

    /// Takes a point anew; tells whether the same was typed again.
    fn replace(&mut self, index: usize, looks: &Looks, typed: (f64, f64)) -> bool {
        let Some(old) = self.pairs.get_mut(index) else { return false };
        let same = old.reading.to_bits() == typed.0.to_bits();
        *old = Self::pair(looks, typed);
        same
    }
}

/// Plays a level, looks, asks what the meter reads, looks again.
fn point(
    bench: &Bench,
    input: &CalibratedChannel,
    applied: &Applied<'_>,
    level_vrms: f64,
    person: &mut Person,
) -> Result<ReadPoint, Failure> {
    let unit = unit(input);
    applied.play(level_vrms)?;
    let mut looks = Looks::default();
    loop {
        for _ in 0..LOOKS {
            applied.look(&mut looks)?;
        }
        let question =
            format!("about {:.3} {unit} rms; the meter reads ({unit}): ", applied.expected(level_vrms));
        let typed = person.ask(bench, &question)?;
        goes_on(bench)?;
        match number(&typed) {
            Ok(typed) => {
                for _ in 0..LOOKS {
                    applied.look(&mut looks)?;
                }
                return Ok((looks, typed));
            }
            Err(why) => aside!("{why}"),
        }
    }
}

/// Asks for a value that is applied from outside; `None` when a person has had enough.
fn outside_point(
    bench: &Bench,
    input: &CalibratedChannel,
    number_of: usize,
    person: &mut Person,
    look: &dyn Fn(&mut Looks) -> Result<(), RunError>,
) -> Result<Option<ReadPoint>, Failure> {
    let unit = unit(input);
    loop {
        let typed =
            person.ask(bench, &format!("point {number_of}: apply a value; the meter reads ({unit}): "))?;
        if typed.is_empty() {
            return Ok(None);
        }
        match number(&typed) {
            Ok(typed) => {
                let mut looks = Looks::default();
                look(&mut looks)?;
                look(&mut looks)?;
                return Ok(Some((looks, typed)));
            }
            Err(why) => aside!("{why}"),
        }
    }
}
