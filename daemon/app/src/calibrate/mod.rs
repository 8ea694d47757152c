//! `wattproof calibrate`: walks a person with a reference meter through the digitizer's inputs, and writes what came out
//! into the bench file.

mod outcome;
mod person;
mod sheet;
mod walk;
mod write;

use chrono::{Months, NaiveDate, Utc};
use wattproof_bench::{BenchFile, CalibratedChannel, check_dialects};
use wattproof_method::calibration::Meter;
use wattproof_runs::Nameplate;

use crate::cautions::CAUTIONS;
use crate::cli::{CalibrateOrder, InputKind};
use crate::failure::Failure;
use crate::follow::on_bench;
use crate::state_folder::state_folder;
use person::Person;
use sheet::Sheet;
use walk::Walk;

/// How long a calibration holds where nobody says otherwise, months (common practice, no source).
const MONTHS: u32 = 12;

/// Reads the files, shows the cautions, calibrates, writes the bench file.
pub fn calibrate(order: &CalibrateOrder) -> Result<(), Failure> {
    let bench = BenchFile::read(&order.bench)?;
    check_dialects(&bench)?;
    let plate = order.nameplate.as_ref().map(|path| Nameplate::read(path)).transpose()?;
    if plate.is_none() && !order.outside {
        return Err(Failure::Said(
            "calibrating through the amplifier needs its nameplate (--nameplate FILE); with an external calibrator give --outside".into(),
        ));
    }
    let inputs = inputs(&bench, order)?;
    let sheet = order.points.as_ref().map(|path| Sheet::read(path)).transpose()?;
    if sheet.is_some() && (inputs.len() != 1 || order.outside) {
        return Err(Failure::Said(
            "--points is the sheet of one input through the amplifier: name it with --channel and --measures, or with --adc, without --outside".into(),
        ));
    }
    let date = Utc::now().date_naive();
    let due = due(order, date)?;
    aside!("{CAUTIONS}\n");
    let mut person = Person::new(sheet.is_none());
    let meter = meter(order, &mut person)?;
    let identity = match &order.meter {
        Some(identity) => identity.clone(),
        None => person.ask_before("Which reference meter (make, model, number)? ")?,
    };
    let walk = Walk {
        path: order.bench.clone(),
        inputs,
        plate,
        sheet,
        meter,
        identity,
        date,
        due,
        order: order.clone(),
    };
    let state = state_folder(order.state.as_deref(), &bench.name);
    on_bench(bench, state, move |bench| walk.all(bench, &mut person))?
}

/// The inputs asked for, in the order of the bench file.
fn inputs(bench: &BenchFile, order: &CalibrateOrder) -> Result<Vec<CalibratedChannel>, Failure> {
    let wanted = |input: &&CalibratedChannel| {
        order.channel.is_none_or(|channel| channel == input.amplifier_channel)
            && order.measures.is_none_or(|measures| InputKind::from(input.measures) == measures)
            && order.adc.is_none_or(|adc| adc == input.adc)
    };
    let found: Vec<CalibratedChannel> = bench.digitizer.channel.iter().filter(wanted).cloned().collect();
    if found.is_empty() {
        let adcs: Vec<String> = bench.digitizer.channel.iter().map(|input| input.adc.to_string()).collect();
        return Err(Failure::Said(format!(
            "the bench file has no such input: its amplifier channels are 1 to {}, its inputs have adc {}",
            bench.amplifier_channels(),
            adcs.join(", ")
        )));
    }
    Ok(found)
}

fn due(order: &CalibrateOrder, date: NaiveDate) -> Result<NaiveDate, Failure> {
    let due = match &order.due {
        None => date.checked_add_months(Months::new(MONTHS)),
        Some(text) => Some(
            NaiveDate::parse_from_str(text, "%Y-%m-%d")
                .map_err(|error| Failure::Said(format!("--due {text}: {error}; give a day as 2027-05-02")))?,
        ),
    };
    due.filter(|due| *due > date).ok_or_else(|| {
        Failure::Said("--due must be a day after today: the calibration holds until then".into())
    })
}

fn meter(order: &CalibrateOrder, person: &mut Person) -> Result<Meter, Failure> {
    if let Some(text) = &order.accuracy {
        return Meter::parse(text).map_err(Failure::Said);
    }
    loop {
        let typed = person
            .ask_before("How exact is it (as 0.05%+0.003: % of reading, then V or A at any reading)? ")?;
        match Meter::parse(&typed) {
            Ok(meter) => return Ok(meter),
            Err(why) => aside!("{why}"),
        }
    }
}
