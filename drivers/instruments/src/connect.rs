//! From an address to an instrument in its role.

use wattproof_link::{Address, Link, LinkError, open};

use crate::dialect::Dialect;
use crate::digitizer::Digitizer;
use crate::error::{Context, Fault, InstrumentError};
use crate::instrument::Instrument;
use crate::load::Load;
use crate::role::Role;
use crate::source::Source;
use crate::supply::Supply;
use crate::thermometer::Thermometer;

/// An instrument in its role.
#[derive(Debug)]
pub enum Connected {
    /// Makes the test tone.
    Source(Source),
    /// Takes the amplifier's output power.
    Load(Load),
    /// Feeds the amplifier.
    Supply(Supply),
    /// Samples voltages and currents.
    Digitizer(Digitizer),
    /// Watches the heatsink.
    Thermometer(Thermometer),
}

impl Connected {
    /// What all roles share.
    pub fn instrument(&self) -> &Instrument {
        match self {
            Connected::Source(one) => one.instrument(),
            Connected::Load(one) => one.instrument(),
            Connected::Supply(one) => one.instrument(),
            Connected::Digitizer(one) => one.instrument(),
            Connected::Thermometer(one) => one.instrument(),
        }
    }

    /// The role it is in.
    pub fn role(&self) -> Role {
        match self {
            Connected::Source(_) => Role::Source,
            Connected::Load(_) => Role::Load,
            Connected::Supply(_) => Role::Supply,
            Connected::Digitizer(_) => Role::Digitizer,
            Connected::Thermometer(_) => Role::Thermometer,
        }
    }
}

/// Opens the address and identifies what is there. Sends nothing that could switch an output. On a serial
/// port the time allowed for sample blocks follows the baud rate.
///
/// # Errors
/// The link cannot be opened; see also [`connect_over`].
pub fn connect(
    role: Role,
    address: &Address,
    dialect: &Dialect,
    name: &str,
) -> Result<Connected, InstrumentError> {
    connect_by(open, role, address, dialect, name)
}

/// The same over a link that `opens` opens.
///
/// # Errors
/// Those of `opens` and of [`connect_over`].
pub fn connect_by(
    opens: impl Fn(&Address) -> Result<Box<dyn Link>, LinkError>,
    role: Role,
    address: &Address,
    dialect: &Dialect,
    name: &str,
) -> Result<Connected, InstrumentError> {
    let address = address.with_usual(&dialect.serial);
    let link = opens(&address).map_err(|cause| {
        let context = Context { instrument: name.to_string(), port: address.place(), message: String::new() };
        context.fault(Fault::Link { cause, partial: String::new() })
    })?;
    let mut dialect = dialect.clone();
    if let Some(settings) = address.settings() {
        let settings = settings.settings();
        // A frame is about ten bits; a tenth is allowed for gaps between bytes.
        let bytes_per_s = f64::from(settings.baud) / 11.0;
        dialect.session.bytes_per_s.get_or_insert(bytes_per_s);
    }
    connect_over(link, role, &dialect, name)
}

/// Identifies what is on the link: gets into step, `*IDN?`, `*CLS`, `SYST:VERS?`.
///
/// # Errors
/// `WrongRole` for a dialect of another role; link failures; answers of the wrong form; reported errors.
pub fn connect_over(
    link: Box<dyn Link>,
    role: Role,
    dialect: &Dialect,
    name: &str,
) -> Result<Connected, InstrumentError> {
    Ok(match role {
        Role::Source => Connected::Source(Source::over(link, dialect, name)?),
        Role::Load => Connected::Load(Load::over(link, dialect, name)?),
        Role::Supply => Connected::Supply(Supply::over(link, dialect, name)?),
        Role::Digitizer => Connected::Digitizer(Digitizer::over(link, dialect, name)?),
        Role::Thermometer => Connected::Thermometer(Thermometer::over(link, dialect, name)?),
    })
}
