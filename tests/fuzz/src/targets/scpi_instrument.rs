//! The instrument end of SCPI: whatever a controller sends.
//!
//! Holds: no panic, bounded memory, and no split of the bytes matters.

use wattproof_scpi::{Command, Instrument, Interpreter, Limits, ScpiError, message};

use super::drawn_below;
use crate::Target;

/// This target.
pub const TARGET: Target = Target {
    name: "scpi_instrument",
    check,
    words: &[
        "*IDN?",
        "*RST",
        "*WAI",
        "*OPC?",
        "*OPC",
        "*CLS",
        "*ESR?",
        "*ESE ",
        "*SRE ",
        "*STB?",
        "*TST?",
        "SYST:ERR?",
        "SYST:ERR:ALL?",
        "STAT:OPER:ENAB ",
        "INIT",
        "INIT:IMM",
        "OUTP2:STAT ON",
        "OUTP2?",
        "ROUT:CLOS (@1,3:5)",
        "VOLT 1.5",
        "VOLT?",
        "VOLT MAX",
        "DATA?",
        "#13abc",
        "#9999999999",
        "#0",
        "#HFF",
        "#Q17",
        "#B101",
        "\"",
        "'",
        "(@",
        ")",
        ",",
        ";",
        ":",
        "\n",
        "\r\n",
        " mV",
        "MOHM",
        "1e-3",
        "NAN",
        "INF",
        "MIN",
        "DEF",
        "UP",
    ],
    shipped: &[],
};

/// An invented box for this.
#[derive(Default, Debug, PartialEq)]
struct Device {
    busy: bool,
    volts: f64,
    log: usize,
}

impl Instrument for Device {
    fn reset(&mut self) {
        self.volts = 0.0;
    }

    fn pending(&self) -> bool {
        self.busy
    }

    fn operation(&self) -> u16 {
        u16::from(self.busy) << 3
    }
}

fn commands() -> Vec<Command<Device>> {
    vec![
        Command::new("INITiate[:IMMediate]", 0..=0, |device: &mut Device, _| {
            device.busy = true;
            Ok(())
        }),
        Command::new("OUTPut#[:STATe]", 1..=1, |device, call| {
            device.log += call.suffix(0, 1..=4)? as usize;
            call.param(0)?.boolean().map(|on| device.busy &= on)
        }),
        Command::new("ROUTe:CLOSe", 1..=1, |device, call| {
            device.log += call.param(0)?.channels(1..=8)?.len();
            Ok(())
        }),
        Command::new("[SOURce:]VOLTage[:LEVel]", 1..=3, |device, call| {
            device.volts = call.param(0)?.numeric("V")?.within(0.0..=60.0, 1.0)?;
            call.params.iter().try_for_each(|param| param.numeric("V").map(|_| ()))
        }),
        Command::new("[SOURce:]VOLTage[:LEVel]?", 0..=1, |device, call| {
            call.reply.nr3(device.volts);
            Ok(())
        }),
        Command::new("TEXT", 0..=9, |device, call| {
            for param in call.params {
                device.log += param.string().map(|text| text.len()).unwrap_or(1);
                device.log += param.block().map(|block| block.len()).unwrap_or(1);
            }
            Ok(())
        }),
        Command::new("DATA?", 0..=0, |_, call| call.reply.block(b"\n;,\n")),
        Command::new("LAST?", 0..=0, |_, call| call.reply.indefinite(b"AB")),
    ]
}

/// What came of one way to split the bytes.
type Came = (Vec<u8>, Vec<ScpiError>, Device);

fn fed(bytes: &[u8], piece: usize, message_bytes: usize) -> Came {
    let limits = Limits { message_bytes, error_queue: 8 };
    let mut interpreter = Interpreter::with_limits("Invented,Box,0,1", commands(), limits).unwrap();
    let (mut device, mut out) = (Device::default(), Vec::new());
    for piece in bytes.chunks(piece) {
        out.extend(interpreter.feed(&mut device, piece));
        assert!(
            interpreter.held_bytes() <= 6 * message_bytes + 64,
            "{} bytes held",
            interpreter.held_bytes()
        );
    }
    // Every operation comes to its end; each may have let the next begin.
    while interpreter.is_waiting() {
        device.busy = false;
        out.extend(interpreter.poll(&mut device));
    }
    out.extend(interpreter.end(&mut device));
    let errors = std::iter::from_fn(|| interpreter.status.queue.pop()).collect();
    (out, errors, device)
}

/// Tries one input.
pub fn check(bytes: &[u8]) {
    let message_bytes = 16 + drawn_below(bytes, 0, 200);
    let whole = fed(bytes, bytes.len().max(1), message_bytes);
    assert_eq!(whole, fed(bytes, 1 + drawn_below(bytes, 1, 17), message_bytes), "the split matters");
    fed(bytes, bytes.len().max(1), 1 << 20);
    for unit in message::units(bytes).flatten() {
        assert!(unit.offset < bytes.len().max(1));
    }
    let text = super::text(bytes);
    if wattproof_scpi::tree::Tree::default().insert(&text, 0).is_ok() {
        assert!(!text.is_empty(), "an empty header stands for nothing");
    }
}
