//! A small instrument for the tests. Invented for them.
#![allow(dead_code, reason = "each test file uses its own part")]

use wattproof_scpi::{Call, Command, Instrument, Interpreter, Limits, ScpiError};

pub const IDN: &str = "Invented,Bench Box,0001,1.0";

#[derive(Debug, Default, Clone, PartialEq)]
pub struct Rig {
    pub busy: bool,
    pub volt: f64,
    pub outputs: [bool; 4],
    pub log: Vec<String>,
    pub payload: Vec<u8>,
    pub questionable: u16,
}

impl Instrument for Rig {
    fn reset(&mut self) {
        self.volt = 0.0;
        self.outputs = [false; 4];
    }

    fn pending(&self) -> bool {
        self.busy
    }

    fn operation(&self) -> u16 {
        u16::from(self.busy) << 3
    }

    fn questionable(&self) -> u16 {
        self.questionable
    }
}

fn accept(rig: &mut Rig, call: &mut Call<'_>) -> Result<(), ScpiError> {
    rig.log.push(format!("{:?}", call.params));
    Ok(())
}

fn time(_: &mut Rig, call: &mut Call<'_>) -> Result<(), ScpiError> {
    if !matches!(call.params.len(), 0 | 3) {
        return Err(ScpiError::new(-109));
    }
    for (i, most) in [23, 59, 59].into_iter().enumerate() {
        let value = match call.optional(i) {
            Some(param) => param.numeric("")?.within(0.0..=f64::from(most), 0.0)?,
            None => 0.0,
        };
        call.reply.nr1(value as i64);
    }
    Ok(())
}

fn volt_query(rig: &mut Rig, call: &mut Call<'_>) -> Result<(), ScpiError> {
    let value = match call.optional(0) {
        Some(param) => param.numeric("V")?.within(0.0..=60.0, 0.0)?,
        None => rig.volt,
    };
    call.reply.nr3(value);
    Ok(())
}

fn output(rig: &mut Rig, call: &mut Call<'_>) -> Result<(), ScpiError> {
    let index = call.suffix(0, 1..=4)? as usize - 1;
    rig.outputs[index] = call.param(0)?.boolean()?;
    Ok(())
}

pub fn commands() -> Vec<Command<Rig>> {
    vec![
        Command::new("*EMC", 1..=1, accept),
        Command::new("*GMC", 2..=2, accept),
        Command::new("CH1:VOLTS", 1..=1, accept),
        Command::new("DATA", 0..=100, accept),
        Command::new("NUMBer", 1..=1, |rig: &mut Rig, call| {
            rig.volt = call.param(0)?.number("OHM")?;
            Ok(())
        }),
        Command::new("SYSTem:TIME?", 0..=3, time),
        Command::new("[SOURce:]VOLTage[:LEVel]", 1..=1, |rig: &mut Rig, call| {
            rig.volt = call.param(0)?.numeric("V")?.within(0.0..=60.0, 0.0)?;
            Ok(())
        }),
        Command::new("[SOURce:]VOLTage[:LEVel]?", 0..=1, volt_query),
        Command::new("OUTPut#[:STATe]", 1..=1, output),
        Command::new("OUTPut#[:STATe]?", 0..=0, |rig: &mut Rig, call| {
            let index = call.suffix(0, 1..=4)? as usize - 1;
            call.reply.boolean(rig.outputs[index]);
            Ok(())
        }),
        Command::new("INITiate[:IMMediate]", 0..=0, |rig: &mut Rig, _| {
            rig.busy = true;
            Ok(())
        }),
        Command::new("TRACe|DATA[:DATA]?", 0..=0, |rig: &mut Rig, call| call.reply.block(&rig.payload)),
        Command::new("LAST?", 0..=0, |_, call| call.reply.indefinite(b"AB")),
        Command::new("HALF?", 0..=0, |_, call| {
            call.reply.nr1(5);
            Err(ScpiError::with_info(-230, "nothing measured"))
        }),
    ]
}

pub fn interpreter() -> Interpreter<Rig> {
    Interpreter::new(IDN, commands()).unwrap()
}

pub fn small(message_bytes: usize) -> Interpreter<Rig> {
    Interpreter::with_limits(IDN, commands(), Limits { message_bytes, error_queue: 8 }).unwrap()
}

pub fn ask(interpreter: &mut Interpreter<Rig>, rig: &mut Rig, line: &str) -> String {
    let reply = interpreter.feed(rig, format!("{line}\n").as_bytes());
    String::from_utf8(reply).unwrap()
}
