//! Arbitrary bytes into the instrument end: no panic, bounded memory.
#![no_main]

use libfuzzer_sys::fuzz_target;
use wattproof_scpi::{Command, Instrument, Interpreter, Limits};

const LIMIT_BYTES: usize = 4096;

struct Device(u8);

impl Instrument for Device {
    fn reset(&mut self) {
        self.0 = 0;
    }

    fn pending(&self) -> bool {
        self.0 > 0
    }
}

fuzz_target!(|data: &[u8]| {
    let commands = vec![
        Command::new("INITiate[:IMMediate]", 0..=0, |device: &mut Device, _| {
            device.0 = 3;
            Ok(())
        }),
        Command::new("OUTPut#[:STATe]", 1..=1, |_, call| call.param(0)?.boolean().map(|_| ())),
        Command::new("ROUTe:CLOSe", 1..=1, |_, call| call.param(0)?.channels(1..=8).map(|_| ())),
        Command::new("VOLTage", 0..=9, |_, call| {
            call.params.iter().try_for_each(|param| param.numeric("V").map(|_| ()))
        }),
    ];
    let limits = Limits { message_bytes: LIMIT_BYTES, error_queue: 8 };
    let Ok(mut interpreter) = Interpreter::with_limits("A,B,C,D", commands, limits) else { return };
    let mut device = Device(0);
    for chunk in data.chunks(7) {
        interpreter.feed(&mut device, chunk);
        device.0 = device.0.saturating_sub(1);
        assert!(interpreter.held_bytes() <= 8 * LIMIT_BYTES);
    }
    interpreter.end(&mut device);
});
