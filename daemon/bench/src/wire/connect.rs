//! From a place in the bench file to an identified instrument in its role.

use std::path::Path;

use wattproof_instruments::{
    Connected, Dialect, DialectError, Digitizer, InstrumentError, Load, Role, Source, Supply, Thermometer,
    connect_by, identity_fits, shipped,
};
use wattproof_link::{Address, Canceller};

use crate::wire::links::Links;
use crate::{BenchError, BenchFile, Identity, OpenLink};

/// A dialect by its shipped name, or from a file when the name is a path.
///
/// # Errors
/// [`DialectError`], with the names there are or file and line.
pub fn find_dialect(name: &str) -> Result<Dialect, DialectError> {
    if name.contains('/') || name.ends_with(".toml") { Dialect::load(Path::new(name)) } else { shipped(name) }
}

/// Every dialect a bench file names must exist and be for the right role.
///
/// # Errors
/// [`BenchError::Setup`], naming role and dialect.
pub fn check_dialects(bench: &BenchFile) -> Result<(), BenchError> {
    for role in Role::ALL {
        if let Some(name) = bench.dialect_of(role) {
            check_channels(bench, role, name)?;
        }
    }
    taps_ohm(bench)?;
    check_temperatures(bench)
}

/// The highest channel that a bench file names of an instrument in this role, with its section and key.
fn highest_channel(bench: &BenchFile, role: Role) -> (u32, &'static str, &'static str) {
    let adcs = bench.digitizer.channel.iter().map(|input| input.adc);
    let (highest, section, key) = match role {
        Role::Source => (bench.source.outputs.iter().copied().max(), "source", "outputs"),
        Role::Load => (bench.load.channels.iter().copied().max(), "load", "channels"),
        Role::Digitizer => (adcs.max(), "digitizer.channel", "adc"),
        Role::Thermometer => (Some(bench.thermometer.channel), "thermometer", "channel"),
        Role::Supply => (None, "supply", "dialect"),
    };
    (highest.unwrap_or(1), section, key)
}

/// The channels that a bench file names must be there.
fn check_channels(bench: &BenchFile, role: Role, name: &str) -> Result<(), BenchError> {
    let dialect = dialect_for(bench, role, name)?;
    let (highest, section, key) = highest_channel(bench, role);
    if highest <= dialect.channels {
        return Ok(());
    }
    Err(BenchError::Setup(format!(
        "bench file {}: [{section}] {key} names channel {highest} of the {role}, and dialect {name} has channels = {}: name one of those, or use a dialect with more (more_channels = true where makes differ)",
        bench.origin.place(section, key),
        dialect.channels
    )))
}

/// Every instrument that is to tell a temperature must have the words for it.
///
/// # Errors
/// [`BenchError::Setup`], naming the temperature and the dialect.
pub(crate) fn check_temperatures(bench: &BenchFile) -> Result<(), BenchError> {
    for place in &bench.temperature {
        let Some(name) = bench.dialect_of(place.role) else { continue };
        let dialect = dialect_for(bench, place.role, name)?;
        let file = bench.origin.place("temperature", "name");
        let refuse = |what: String| {
            Err(BenchError::Setup(format!("bench file {file}: [[temperature]] {}: {what}", place.name)))
        };
        if !dialect.can("measure_c") {
            return refuse(format!(
                "dialect {name} of the {} has no measure_c: add [operations.measure_c] to it if the instrument can tell, or name another role",
                place.role
            ));
        }
        if !(1..=dialect.channels).contains(&place.input) {
            return refuse(format!(
                "input = {} is none of the {} of dialect {name}, from 1 to {}",
                place.input, place.role, dialect.channels
            ));
        }
    }
    Ok(())
}

/// The taps of the load as the bench file says them, or else as its dialect does; empty where it has none. A bench file
/// may say what the taps of its dialect measured, tap by tap.
///
/// # Errors
/// [`BenchError::Setup`] when both say taps, and not as many.
pub(crate) fn taps_ohm(bench: &BenchFile) -> Result<Vec<f64>, BenchError> {
    let own = &bench.load.taps_ohm;
    let Some(name) = &bench.load.dialect else { return Ok(own.clone()) };
    let dialect = dialect_for(bench, Role::Load, name)?;
    if own.is_empty() || dialect.taps_ohm.is_empty() {
        return Ok(if own.is_empty() { dialect.taps_ohm } else { own.clone() });
    }
    if own.len() == dialect.taps_ohm.len() {
        return Ok(own.clone());
    }
    Err(BenchError::Setup(format!(
        "bench file {}: [load] taps_ohm has {} entries, dialect {name} has taps of {:?} ohm: say what each of those measured, or leave taps_ohm out",
        bench.origin.place("load", "taps_ohm"),
        own.len(),
        dialect.taps_ohm
    )))
}

fn dialect_for(bench: &BenchFile, role: Role, name: &str) -> Result<Dialect, BenchError> {
    let place = bench.origin.place(role.word(), "dialect");
    let dialect = find_dialect(name)
        .map_err(|error| BenchError::Setup(format!("bench file {place}: [{role}] dialect: {error}")))?;
    if dialect.role == role {
        return Ok(dialect.up_to_channel(highest_channel(bench, role).0));
    }
    Err(BenchError::Setup(format!(
        "bench file {place}: [{role}] names dialect {name}, which is for a {}: name one for a {role}",
        dialect.role
    )))
}

/// Opens the instruments of a bench one by one, keeping who they are and how to interrupt them.
pub(crate) struct Opener {
    pub opens: OpenLink,
    pub links: Links,
    pub identities: Vec<Identity>,
    pub cancellers: Vec<Canceller>,
}

impl Opener {
    pub fn check<T>(&self, result: Result<T, InstrumentError>) -> Result<T, BenchError> {
        result.map_err(|error| BenchError::Instrument(Box::new(error)))
    }

    fn connect(
        &mut self,
        bench: &BenchFile,
        role: Role,
        link: &Address,
        dialect: &str,
    ) -> Result<Connected, BenchError> {
        let spec = dialect_for(bench, role, dialect)?;
        let found = self.links.find(bench, role, &spec, &self.opens)?;
        let connected = self.check(connect_by(&self.opens, role, &found, &spec, role.word()))?;
        let instrument = connected.instrument();
        let idn = instrument.identity().text();
        // Cables may have been swapped since it was asked for.
        if let Address::Asked { identity, .. } = link
            && ![idn.as_str(), instrument.identity().model.as_str()]
                .iter()
                .any(|who| identity_fits(identity, who))
        {
            return Err(BenchError::Setup(format!(
                "bench file {}: [{role}] link: {} answers \"{idn}\" now, which is not \"{identity}\": leave the \
                 cables alone and start again",
                bench.link_place(role),
                found.place()
            )));
        }
        tracing::info!(%role, link = instrument.session().port(), idn, "instrument identified");
        self.cancellers.push(instrument.canceller());
        self.identities.push(Identity {
            role: role.word(),
            link: instrument.session().port().to_string(),
            dialect: dialect.to_string(),
            idn,
        });
        Ok(connected)
    }
}

impl Opener {
    /// The load, where there is one that can be set.
    pub fn load(&mut self, bench: &BenchFile) -> Result<Option<Load>, BenchError> {
        let (Some(link), Some(dialect)) = (&bench.load.link, &bench.load.dialect) else { return Ok(None) };
        match self.connect(bench, Role::Load, link, dialect)? {
            Connected::Load(load) => Ok(Some(load)),
            other => Err(misconnected(Role::Load, other.role())),
        }
    }
}

/// `connect` gives the role it was asked for; anything else is told as a fault of this program.
fn misconnected(asked: Role, got: Role) -> BenchError {
    BenchError::Setup(format!("asked for a {asked}, got a {got}: please report this"))
}

macro_rules! connect_as {
    ($method:ident, $role:ident) => {
        impl Opener {
            pub fn $method(&mut self, bench: &BenchFile) -> Result<$role, BenchError> {
                let place = &bench.$method;
                match self.connect(bench, Role::$role, &place.link, &place.dialect)? {
                    Connected::$role(instrument) => Ok(instrument),
                    other => Err(misconnected(Role::$role, other.role())),
                }
            }
        }
    };
}
connect_as!(source, Source);
connect_as!(supply, Supply);
connect_as!(digitizer, Digitizer);
connect_as!(thermometer, Thermometer);
