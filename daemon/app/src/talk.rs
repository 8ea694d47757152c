//! `wattproof talk`: a person types messages to one instrument and sees what it says. No guarded path.

use std::io::{BufRead, IsTerminal};
use std::time::Duration;

use rustyline::error::ReadlineError;
use wattproof_bench::{BenchFile, find_alone, find_dialect};
use wattproof_instruments::{Dialect, InstrumentError, Reply, Role, Said, Talk, shown};
use wattproof_link::Address;

use crate::cli::TalkOrder;
use crate::failure::Failure;
use crate::history::{History, terminal_failed};
use crate::machine::Machine;
use crate::port_name::{at_baud, port_named};
use crate::say::say;

/// Bytes of a block that are shown without `--hex`.
const BLOCK_BYTES_SHOWN: usize = 16;

/// Opens the port and talks until the input ends or a person leaves.
pub fn talk(order: &TalkOrder) -> Result<(), Failure> {
    let (address, dialect) = who(order)?;
    let address = at_baud(address, order.baud);
    let (found, held) = find_alone(&address, dialect.as_ref(), "wattproof talk").map_err(Failure::Said)?;
    if let Some(holder) = Machine::real().holder_of(&found) {
        return Err(Failure::Said(format!("{}: held by {holder}: end that first", found.place())));
    }
    let found = match &dialect {
        Some(dialect) => found.with_usual(&dialect.serial),
        None => found,
    };
    let link = wattproof_link::open(&found).map_err(|error| Failure::Said(error.to_string()))?;
    aside!(
        "{found}: this is no guarded path: what is typed is sent, no limit is kept, and nothing is switched off on \
         leaving (Ctrl-C or Ctrl-D)"
    );
    let mut talk = Talk::new(link, dialect, Duration::from_secs_f64(order.timeout), !order.no_errors);
    // Else the first message would be blamed for them.
    match talk.errors() {
        Ok(before) => {
            before.iter().for_each(|one| aside!("from before: error {} \"{}\"", one.number, one.text));
        }
        Err(error) => unread(&mut talk, &error),
    }
    let failed = if std::io::stdin().is_terminal() {
        by_hand(&mut talk, order.hex)?
    } else {
        from_pipe(&mut talk, order.hex)?
    };
    drop(held);
    match failed {
        0 => Ok(()),
        1 => Err(Failure::Said("1 message failed".into())),
        _ => Err(Failure::Said(format!("{failed} messages failed"))),
    }
}

/// The port and the dialect: as typed, or as a bench file has them for a role.
fn who(order: &TalkOrder) -> Result<(Address, Option<Dialect>), Failure> {
    let dialect = |name: &str| find_dialect(name).map_err(|error| Failure::Said(error.to_string()));
    let given = order.dialect.as_deref().map(dialect).transpose()?;
    let Some(bench) = &order.bench else { return Ok((port_named(&order.port)?, given)) };
    let bench = BenchFile::read(bench)?;
    let Some(role) = Role::ALL.into_iter().find(|role| role.word() == order.port) else {
        return Err(Failure::Said(format!(
            "{}: no role; with --bench, name one of source, load, supply, digitizer, thermometer",
            order.port
        )));
    };
    let own = bench.dialect_of(role).map(dialect).transpose()?;
    let link = bench.places().into_iter().find(|(other, _)| *other == role).map(|(_, link)| link.clone());
    let link = link.ok_or_else(|| Failure::Said(format!("the bench file has no {role}")))?;
    Ok((link, given.or(own)))
}

/// Line by line from a person, with a history. Answers how many messages failed; there a person has seen each.
fn by_hand(talk: &mut Talk, hex: bool) -> Result<usize, Failure> {
    let mut editor = rustyline::DefaultEditor::new().map_err(terminal_failed)?;
    let mut history = History::read("talk-history", &mut editor)?;
    loop {
        match editor.readline("> ") {
            Ok(line) if line.trim().is_empty() => {}
            Ok(line) => {
                // Before it is sent: whoever ends a wait for its answer ends the program.
                history.keep(&mut editor, &line);
                exchange(talk, &line, hex)?;
            }
            Err(ReadlineError::Interrupted | ReadlineError::Eof) => break,
            Err(other) => return Err(terminal_failed(other)),
        }
    }
    Ok(0)
}

/// Line by line from a pipe; answers how many messages failed.
fn from_pipe(talk: &mut Talk, hex: bool) -> Result<usize, Failure> {
    let mut failed = 0;
    for line in std::io::stdin().lock().lines() {
        let line = line.map_err(|source| Failure::System { what: "reading the messages", source })?;
        if !line.trim().is_empty() && !exchange(talk, &line, hex)? {
            failed += 1;
        }
    }
    Ok(failed)
}

/// One message and what came of it; whether it went well.
fn exchange(talk: &mut Talk, line: &str, hex: bool) -> Result<bool, Failure> {
    let Reply { answer, errors, queue_unread } = match talk.say(line) {
        Ok(reply) => reply,
        Err(error) => {
            aside!("wattproof: {error}");
            // What it did not understand it may have queued.
            let queued = talk.errors().unwrap_or_default();
            queued.iter().for_each(|one| aside!("error {} \"{}\"", one.number, one.text));
            return Ok(false);
        }
    };
    if let Some(answer) = answer {
        say(&told(&answer, hex))?;
    }
    errors.iter().for_each(|one| aside!("error {} \"{}\"", one.number, one.text));
    if let Some(error) = queue_unread {
        unread(talk, &error);
        return Ok(false);
    }
    Ok(errors.is_empty())
}

fn unread(talk: &mut Talk, error: &InstrumentError) {
    aside!("wattproof: the error queue can't be read and is left alone from now on (--no-errors): {error}");
    talk.leave_errors();
}

/// An answer as it is printed.
fn told(answer: &Said, hex: bool) -> String {
    let (what, bytes) = match answer {
        Said::Text(text) => return text.clone(),
        Said::Block(payload) => ("block", payload),
        Said::Bytes(bytes) => ("bytes that are no text", bytes),
    };
    if hex {
        return hex_lines(bytes);
    }
    let first = bytes.get(..BLOCK_BYTES_SHOWN).unwrap_or(bytes);
    let more = if bytes.len() > first.len() { " …" } else { "" };
    format!("{what}, {} bytes: {}{more}", bytes.len(), shown(first))
}

/// Sixteen bytes a line, with the count of those before.
fn hex_lines(bytes: &[u8]) -> String {
    let lines = bytes.chunks(16).enumerate().map(|(line, bytes)| {
        let pairs: Vec<String> = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        let text: String =
            bytes.iter().map(|byte| if matches!(byte, b' '..=b'~') { *byte as char } else { '.' }).collect();
        format!("{:08x}  {:47}  {text}", line * 16, pairs.join(" "))
    });
    lines.collect::<Vec<_>>().join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_are_summed_up_and_shown_whole_when_asked() {
        // Project definition.
        let block = Said::Block((0..20).collect());
        assert!(told(&block, false).starts_with("block, 20 bytes: \\x00\\x01"), "{}", told(&block, false));
        assert!(told(&block, false).ends_with(" …"));
        let lines: Vec<String> = told(&block, true).lines().map(str::to_string).collect();
        assert_eq!(lines.len(), 2);
        assert!(lines[0].starts_with("00000000  00 01 02") && lines[1].starts_with("00000010  10 11 12 13"));
        assert_eq!(told(&Said::Text("1.5".into()), true), "1.5");
    }
}
