//! A stop at any instant, against a caller that switches on as fast as it can: afterwards everything is off. Expected
//! behaviour of an emergency stop (IEC 60204-1, from memory: stop overrides start).

#![allow(clippy::unwrap_used, reason = "a test helper fails by panicking")]

mod bench;

use std::time::Duration;

use bench::Served;
use wattproof_bench::{Bench, BenchFile};
use wattproof_guard::{State, TripCause};

#[test]
fn stop_beats_start_at_any_instant() {
    let served = Served::start("honest");
    for round in 0..12u64 {
        let bench = Bench::open(BenchFile::read(&served.bench()).unwrap()).unwrap();
        bench.arm().unwrap();
        let stopper = bench.stopper();
        std::thread::scope(|scope| {
            scope.spawn(|| {
                // Ends with the refusal that the stop brings.
                let toggled = std::iter::repeat_with(|| {
                    bench.set_supply(12.0)?;
                    bench.supply_on()?;
                    bench.set_level(0.1)?;
                    bench.source_on()?;
                    bench.source_off()
                });
                assert!(toggled.into_iter().any(|done| done.is_err()));
            });
            scope.spawn(|| {
                std::thread::sleep(Duration::from_micros(1500 * round));
                stopper.stop("a test");
            });
        });
        let report = bench.make_safe(TripCause::Run { what: "the test is over".into() });
        assert!(report.is_safe(), "round {round}: {report:?}");
        assert_eq!(bench.state(), State::Tripped, "round {round}");
        drop(bench);
        for (role, question) in [("source", "OUTP1?"), ("source", "OUTP2?"), ("supply", "OUTP?")] {
            assert_eq!(served.ask(role, question), "0", "round {round}: {role} {question}");
        }
    }
}
