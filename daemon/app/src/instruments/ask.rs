//! Asking on one port: only when nobody holds it, and held against others meanwhile.

use wattproof_bench::find_alone;
use wattproof_instruments::{Asking, Heard};
use wattproof_link::{Address, open};

use super::row::Row;
use crate::machine::Machine;

/// Asks who is there and notes what came of it in the row.
pub fn ask(machine: &Machine, row: &mut Row, asking: &Asking) {
    match heard(machine, row, asking) {
        Ok(heard) => row.take(heard),
        Err(why) => row.error = Some(why),
    }
}

fn heard(machine: &Machine, row: &Row, asking: &Asking) -> Result<Heard, String> {
    if let Some(holder) = &row.held_by {
        return Err(format!("held by {holder}: end that first"));
    }
    let address = match row.kind {
        "usbtmc" => Address::UsbTmc { path: row.port.clone() },
        "tcp" => Address::Tcp { host_port: row.port.clone() },
        _ => Address::Serial { path: row.port.clone(), settings: Default::default() },
    };
    let (found, held) = find_alone(&address, None, "wattproof instruments")?;
    // Somebody may have come since the list was made.
    if let Some(holder) = machine.holder_of(&found) {
        return Err(format!("held by {holder}: end that first"));
    }
    let link = open(&found).map_err(|error| error.to_string())?;
    // A line has rates to be tried; nothing else has.
    let bauds = if row.kind == "serial" { asking.bauds.clone() } else { Vec::new() };
    let heard =
        Asking { bauds, dialects: asking.dialects.clone() }.ask(link).map_err(|error| error.to_string());
    drop(held);
    heard
}
