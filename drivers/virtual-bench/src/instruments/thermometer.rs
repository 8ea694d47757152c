use std::sync::Arc;

use wattproof_scpi::{Command, Instrument};

use super::celsius::answer_celsius;
use super::device::Device;
use super::setting::QUESTIONABLE_TEMPERATURE;
use super::{BenchError, Role, Stand, VirtualInstrument};

/// Sensor 1 sits on the heatsink, sensor 2 in the air of the room.
const SENSORS: u32 = 2;
/// Range within which the sensors are good, °C.
const RANGE_C: std::ops::RangeInclusive<f64> = -40.0..=150.0;

struct Thermometer {
    stand: Arc<Stand>,
    now_s: f64,
    sensors_c: [f64; 2],
}

pub(crate) fn instrument(stand: Arc<Stand>, seed: u64) -> Result<VirtualInstrument, BenchError> {
    let mut thermometer = Thermometer { stand, now_s: 0.0, sensors_c: [0.0; 2] };
    thermometer.look();
    let commands = vec![Command::new("MEASure[:SCALar]:TEMPerature?", 0..=1, |d: &mut Thermometer, c| {
        let [heatsink_c, room_c] = d.sensors_c;
        answer_celsius(c, SENSORS, |sensor| if sensor == 1 { heatsink_c } else { room_c })
    })];
    VirtualInstrument::new(Role::Thermometer, seed, thermometer, commands)
}

impl Thermometer {
    fn look(&mut self) {
        let look = |w: &crate::World| [w.heatsink_c(), w.spec().physics.thermal.ambient_c];
        self.sensors_c = self.stand.look(self.now_s, look);
    }
}

impl Device for Thermometer {
    fn at(&mut self, now_s: f64) {
        self.now_s = now_s;
        self.look();
    }
}

impl Instrument for Thermometer {
    fn reset(&mut self) {}

    fn questionable(&self) -> u16 {
        let good = self.sensors_c.iter().all(|c| RANGE_C.contains(c));
        if good { 0 } else { QUESTIONABLE_TEMPERATURE }
    }
}
