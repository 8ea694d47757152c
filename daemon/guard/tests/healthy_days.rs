//! A bench that is well never trips, for days on end: the guard alone in virtual time, told what a healthy bench tells,
//! with noise, drift, late answers and slow threads. `DAYS=1000 cargo test --release -p wattproof-guard --test
//! healthy_days -- --nocapture` for the long one.
//!
//! The physics here are of the simplest kind (Ohm's law, efficiency, one thermal mass and one resistance to a room
//! that is warmer by day): common practice, no source. What counts as healthy is bounded: an answer takes up to 0.6 s,
//! a thread is up to 0.9 s late, readings are asked for once a second, as the bench does where they may be 3 s old.

#![allow(clippy::unwrap_used, reason = "a test helper fails by panicking")]

mod support;

use support::limits;
use wattproof_guard::*;

const DAY_S: f64 = 86_400.0;
const LOAD_OHM: f64 = 4.0;
const SUPPLY_V: f64 = 14.4;
/// Of the amplifier at any power, and what it takes without a signal, W.
const EFFICIENCY: f64 = 0.7;
const IDLE_W: f64 = 18.0;
/// Heatsink, J/K and K/W.
const MASS_J_PER_K: f64 = 800.0;
const TO_ROOM_K_PER_W: f64 = 0.15;
/// 30 dB.
const GAIN: f64 = 31.623;

/// Numbers without a pattern (SplitMix64, its published constants).
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn within(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.next()
    }

    /// About normal, standard deviation 1 (sum of twelve even ones), never beyond 6.
    fn noise(&mut self) -> f64 {
        (0..12).map(|_| self.next()).sum::<f64>() - 6.0
    }

    /// How late a thread or an answer is, s: mostly little, seldom much.
    fn late_s(&mut self, most_s: f64) -> f64 {
        let x = self.next();
        most_s * if x < 0.98 { 0.1 * self.next() } else { self.next() }
    }
}

/// The bench as it really is.
struct Bench {
    chance: Chance,
    guard: Guard,
    now_s: f64,
    fresh_due_s: f64,
    supply_on: bool,
    level_vrms: f64,
    source_on: bool,
    heatsink_c: f64,
    observed: u64,
    /// Seconds at power since the last rest.
    hot_s: f64,
}

impl Bench {
    fn new(seed: u64) -> Bench {
        let limits = Limits {
            reading_age_s_max: 3.0,
            heatsink_c_per_s_max: Some(1.0),
            idle_vrms_max: Some(0.5),
            switch_on_per_min_max: Some(30.0),
            ..limits()
        };
        let mut guard = Guard::new(limits, 3.0, seed);
        support::confirm_off(&mut guard, 0.0);
        Bench {
            chance: Chance(seed),
            guard,
            now_s: 0.0,
            fresh_due_s: 0.0,
            supply_on: false,
            level_vrms: 0.0,
            source_on: false,
            heatsink_c: 22.0,
            observed: 0,
            hot_s: 0.0,
        }
    }

    fn out_vrms(&self) -> f64 {
        if self.supply_on && self.source_on { self.level_vrms * GAIN } else { 0.0 }
    }

    /// Of both channels, W.
    fn together_w(&self) -> f64 {
        2.0 * self.out_vrms() * self.out_vrms() / LOAD_OHM
    }

    fn supply_a(&self) -> f64 {
        if self.supply_on { (self.together_w() / EFFICIENCY + IDLE_W) / SUPPLY_V } else { 0.0 }
    }

    /// Time passes on the bench, nobody looks.
    fn pass(&mut self, until_s: f64) {
        let dt_s = until_s - self.now_s;
        let heat_w = self.supply_a() * SUPPLY_V - self.together_w();
        let room_c = 24.0 + 7.0 * (std::f64::consts::TAU * self.now_s / DAY_S).sin();
        let end_c = room_c + heat_w * TO_ROOM_K_PER_W;
        self.heatsink_c =
            end_c + (self.heatsink_c - end_c) * (-dt_s / (MASS_J_PER_K * TO_ROOM_K_PER_W)).exp();
        self.now_s = until_s;
    }

    fn meters(&mut self) -> SafetyReading {
        let supply_a = self.supply_a() * (1.0 + 0.003 * self.chance.noise()) + 0.005 * self.chance.noise();
        let heatsink_c = self.heatsink_c + 0.05 * self.chance.noise();
        SafetyReading {
            asked_s: Some(self.now_s),
            supply_a: Some((supply_a * 1000.0).round() / 1000.0),
            heatsink_c: Some((heatsink_c * 10.0).round() / 10.0),
            ..SafetyReading::default()
        }
    }

    fn tell(&mut self, reading: &SafetyReading, arrives_s: f64) {
        self.pass(arrives_s);
        // The oldest that a reading gets: just before the next one is there.
        self.guard.tick(self.now_s);
        self.guard.observe(self.now_s, reading);
        self.observed += 1;
    }

    /// Lets time pass with the freshness loop going on.
    fn wait(&mut self, length_s: f64) {
        let until_s = self.now_s + length_s;
        while self.fresh_due_s < until_s {
            self.pass(self.fresh_due_s.max(self.now_s));
            let reading = self.meters();
            let answer_s = self.chance.late_s(0.6);
            self.tell(&reading, self.now_s + answer_s);
            self.fresh_due_s = self.now_s + 1.0 + self.chance.late_s(0.9);
        }
        let end_s = until_s.max(self.now_s);
        self.pass(end_s);
    }

    /// A capture of a steady tone, with supply voltage and current read within it.
    fn capture(&mut self) {
        let (vrms, arms) = (self.out_vrms(), self.out_vrms() / LOAD_OHM);
        let asked_s = self.now_s;
        self.wait(0.3);
        let mut off = |value: f64| value * (1.0 + 0.002 * self.chance.noise());
        let (out_vrms, out_arms, together_w) = (off(vrms), off(arms), off(2.0 * vrms * arms));
        let hiss_vrms = 0.002 * self.chance.next();
        let reading = SafetyReading {
            asked_s: Some(asked_s),
            out_vrms: Some(out_vrms + hiss_vrms),
            out_arms: Some(out_arms),
            out_w: Some(together_w / 2.0),
            together_w: Some(together_w),
            dc_v: Some(0.02 * self.chance.noise()),
            supply_v: Some(SUPPLY_V + 0.02 * self.chance.noise()),
            ..self.meters()
        };
        let arrives_s = self.now_s + self.chance.late_s(0.2);
        self.tell(&reading, arrives_s);
        let at_power = together_w / 2.0 >= self.guard.limits().power_w_from;
        self.hot_s = if at_power { self.hot_s + 1.0 } else { 0.0 };
    }

    fn command(&mut self, command: Command) {
        let permitted = self.guard.permit(self.now_s, &command);
        assert!(permitted.is_ok(), "{command:?} at {} s: {permitted:?}", self.now_s);
        match command {
            Command::SupplyOn => self.supply_on = true,
            Command::SourceOn => self.source_on = true,
            Command::SourceLevel { level_vrms } => self.level_vrms = level_vrms,
            _ => {}
        }
    }

    /// A measurement: levels up and down, now and then a rest, everything off.
    fn run(&mut self) {
        self.guard.arm(self.now_s).unwrap();
        self.fresh_due_s = self.now_s;
        self.wait(0.5);
        self.command(Command::LoadOhm { load_ohm: LOAD_OHM });
        self.command(Command::SupplyVolts { volts_v: SUPPLY_V });
        self.command(Command::SupplyOn);
        self.command(Command::SourceLevel { level_vrms: 0.05 });
        self.command(Command::SourceOn);
        let steps = 10 + (90.0 * self.chance.next()) as usize;
        for _ in 0..steps {
            let wanted_vrms = if self.hot_s > 15.0 { 0.05 } else { self.chance.within(0.02, 0.95) };
            while self.level_vrms < wanted_vrms {
                let next_vrms = (self.level_vrms.max(0.2) * 1.9).min(wanted_vrms);
                self.command(Command::SourceLevel { level_vrms: next_vrms });
                self.wait(0.05);
            }
            self.command(Command::SourceLevel { level_vrms: wanted_vrms });
            let settle_s = self.chance.within(0.2, 0.5);
            self.wait(settle_s);
            self.capture();
        }
        self.source_on = false;
        self.wait(0.05);
        self.guard.source_off(self.now_s, true);
        self.supply_on = false;
        self.wait(0.05);
        self.guard.confirm(self.now_s, Output::Supply, true);
        self.guard.disarm(self.now_s).unwrap();
        self.hot_s = 0.0;
        // Looked at once more, dead.
        self.wait(4.0);
        self.capture();
    }
}

#[test]
fn a_healthy_bench_never_trips() {
    let days: u64 = std::env::var("DAYS").map_or(2, |days| days.parse().unwrap());
    let (mut trips, mut runs, mut observed, mut hottest_c) = (Vec::new(), 0u64, 0, f64::NEG_INFINITY);
    for day in 0..days {
        let mut bench = Bench::new(1000 + day);
        while bench.now_s < DAY_S && bench.guard.trip().is_none() {
            bench.run();
            runs += 1;
            hottest_c = bench.heatsink_c.max(hottest_c);
            let pause_s = bench.chance.within(1.0, 60.0);
            bench.wait(pause_s);
        }
        observed += bench.observed;
        trips.extend(bench.guard.trip().map(|trip| (day, trip.at_s, trip.cause.clone())));
    }
    println!(
        "{days} healthy days, {runs} runs, {observed} readings, up to {hottest_c:.1} °C: {} trips",
        trips.len()
    );
    assert!(trips.is_empty(), "{trips:?}");
    assert!(observed > 50_000 * days && runs > 100 * days, "the days were lived through");
}

/// What would make the same bench trip, so that the silence above says something.
#[test]
fn the_same_bench_trips_when_it_is_not_well() {
    let ill: [fn(&mut Bench); 3] = [
        |bench| bench.heatsink_c = 200.0,
        |bench| bench.fresh_due_s = bench.now_s + 3.5,
        |bench| bench.source_on = true,
    ];
    for (number, harm) in ill.into_iter().enumerate() {
        let mut bench = Bench::new(7);
        bench.guard.arm(0.0).unwrap();
        bench.wait(0.5);
        bench.command(Command::LoadOhm { load_ohm: LOAD_OHM });
        bench.command(Command::SupplyOn);
        bench.level_vrms = 0.5;
        bench.wait(2.0);
        assert!(bench.guard.trip().is_none());
        harm(&mut bench);
        bench.wait(5.0);
        bench.capture();
        assert!(bench.guard.trip().is_some(), "harm {number}");
    }
}
