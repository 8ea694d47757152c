//! `wattproof instruments`: which ports there are, who is on them, and a first bench file of what was found.
//!
//! Listing opens nothing. Asking opens the ports that a person names, sends questions only, says so before, and waits
//! for a yes; a port that somebody holds is never opened.

mod ask;
mod draft;
mod row;

use std::io::{BufRead, IsTerminal};

use wattproof_bench::find_dialect;
use wattproof_instruments::{Asking, Dialect, shipped_all};

use crate::cli::InstrumentsOrder;
use crate::failure::Failure;
use crate::machine::Machine;
use crate::port_name::port_named;
use crate::say::say;
use row::Row;

/// Lists, asks where ordered, writes the bench file where ordered.
pub fn instruments(order: &InstrumentsOrder) -> Result<(), Failure> {
    let machine = Machine::real();
    let mut rows = row::rows(&machine);
    let named = order.ask.iter().map(|text| port_named(text)).collect::<Result<Vec<_>, _>>()?;
    for address in named {
        row::mark(&machine, &mut rows, address)?;
    }
    if order.ask_all {
        rows.iter_mut().for_each(|row| row.asked = true);
    }
    let asks = rows.iter().any(|row| row.asked);
    if order.write_bench.is_some() && !asks {
        return Err(Failure::Said(
            "--write-bench writes who was found: name ports with --ask PORT, or all of them with --ask-all"
                .into(),
        ));
    }
    if asks {
        let asking = Asking { bauds: order.baud.clone(), dialects: dialects(order)? };
        agree(order, &rows, &asking)?;
        for row in rows.iter_mut().filter(|row| row.asked) {
            if !order.json {
                aside!("asking on {} …", row.port);
            }
            ask::ask(&machine, row, &asking);
        }
    }
    if order.json {
        let text = serde_json::to_string_pretty(&rows)
            .map_err(|error| Failure::Said(format!("the ports could not be put into JSON: {error}")))?;
        say(&text)?;
    } else {
        tell(&rows, asks)?;
    }
    if let Some(path) = &order.write_bench {
        draft::write(path, &rows)?;
    }
    let failed: Vec<&str> = rows.iter().filter(|row| row.failed()).map(|row| row.port.as_str()).collect();
    if failed.is_empty() { Ok(()) } else { Err(Failure::Said(format!("not asked: {}", failed.join(", ")))) }
}

/// Built-in dialects and those of files. A dialect of a file goes by the file's path, as a bench file would name it.
fn dialects(order: &InstrumentsOrder) -> Result<Vec<Dialect>, Failure> {
    let said = |error: wattproof_instruments::DialectError| Failure::Said(error.to_string());
    let mut all = Vec::new();
    for path in &order.dialect {
        // A bare name is a file here too.
        let name = path.display().to_string();
        let name = if name.contains('/') { name } else { format!("./{name}") };
        let mut dialect = find_dialect(&name).map_err(said)?;
        dialect.name = name;
        all.push(dialect);
    }
    all.extend(shipped_all().map_err(said)?);
    Ok(all)
}

/// Says what will be sent, and waits for a yes.
fn agree(order: &InstrumentsOrder, rows: &[Row], asking: &Asking) -> Result<(), Failure> {
    let ports: Vec<&str> = rows.iter().filter(|row| row.asked).map(|row| row.port.as_str()).collect();
    let bauds: Vec<String> = asking.bauds.iter().map(u32::to_string).collect();
    aside!(
        "To be asked: {}.\n\
         Opening a serial port raises DTR and RTS: that resets some devices and can close a contactor.\n\
         At {} baud, ended by LF, CR LF and CR, then at the rates of dialects that ask otherwise, these are sent, and \
         empty lines, but no setting:\n  {}\n\
         A question can still disturb a device: at a wrong rate it hears garbage, one of another kind may take a line for a \
         command, and what it does not know it may show or queue as an error. Switch outputs off first.",
        ports.join(", "),
        bauds.join(", "),
        asking.questions().join("  ")
    );
    if order.yes {
        return Ok(());
    }
    if !std::io::stdin().is_terminal() {
        return Err(Failure::Said(
            "nothing was opened: add --yes to ask without a person at the terminal".into(),
        ));
    }
    aside!("Type yes to ask:");
    let mut typed = String::new();
    std::io::stdin()
        .lock()
        .read_line(&mut typed)
        .map_err(|source| Failure::System { what: "reading the answer", source })?;
    if typed.trim().eq_ignore_ascii_case("yes") {
        return Ok(());
    }
    Err(Failure::Said("nothing was opened".into()))
}

fn tell(rows: &[Row], asks: bool) -> Result<(), Failure> {
    if rows.is_empty() {
        return say("this machine lists no serial port and no /dev/usbtmc device: plug one in, switch it on");
    }
    for row in rows {
        say(&row.to_string())?;
    }
    if !asks {
        say("\nnothing was opened; --ask PORT or --ask-all asks who is there")?;
    }
    Ok(())
}
