//! From a place in the bench file to an identified instrument in its role.

use std::path::Path;

use wattproof_instruments::{
    Connected, Dialect, DialectError, Digitizer, InstrumentError, Load, Role, Source, Supply, Thermometer,
    connect_by, identity_fits, shipped,
};
use wattproof_link::{Address, Canceller};

use crate::links::Links;
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
    for (role, name) in [
        (Role::Source, &bench.source.dialect),
        (Role::Load, &bench.load.dialect),
        (Role::Supply, &bench.supply.dialect),
        (Role::Digitizer, &bench.digitizer.dialect),
        (Role::Thermometer, &bench.thermometer.dialect),
    ] {
        dialect_for(bench, role, name)?;
    }
    Ok(())
}

fn dialect_for(bench: &BenchFile, role: Role, name: &str) -> Result<Dialect, BenchError> {
    let place = bench.origin.place(role.word(), "dialect");
    let dialect = find_dialect(name)
        .map_err(|error| BenchError::Setup(format!("bench file {place}: [{role}] dialect: {error}")))?;
    if dialect.role == role {
        return Ok(dialect);
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

/// `connect` gives the role it was asked for; anything else is told as a fault of this program.
macro_rules! connect_as {
    ($method:ident, $role:ident) => {
        impl Opener {
            pub fn $method(&mut self, bench: &BenchFile) -> Result<$role, BenchError> {
                let place = &bench.$method;
                match self.connect(bench, Role::$role, &place.link, &place.dialect)? {
                    Connected::$role(instrument) => Ok(instrument),
                    other => Err(BenchError::Setup(format!(
                        "asked for a {}, got a {}: please report this",
                        Role::$role,
                        other.role()
                    ))),
                }
            }
        }
    };
}
connect_as!(source, Source);
connect_as!(load, Load);
connect_as!(supply, Supply);
connect_as!(digitizer, Digitizer);
connect_as!(thermometer, Thermometer);
