//! What is counted, in the text format that Prometheus reads (exposition format 0.0.4).

use prometheus::{Encoder, GaugeVec, IntCounterVec, IntGauge, IntGaugeVec, Opts, Registry, TextEncoder};

use crate::bench::{Bench, GuardState, OutputsState};
use crate::job::{Job, JobOutcome, JobState};

/// Counters and gauges of a daemon.
pub struct Metrics {
    registry: Registry,
    steps: IntCounterVec,
    ended: IntCounterVec,
    answers: IntCounterVec,
    listeners: IntGauge,
    jobs: IntGaugeVec,
    guard: IntGaugeVec,
    off: IntGaugeVec,
    latched: IntGaugeVec,
    lost: IntGaugeVec,
    named: IntGaugeVec,
    measured: GaugeVec,
}

impl Metrics {
    /// All at zero, for these benches.
    #[allow(clippy::expect_used, reason = "every name below is a constant that the test registers")]
    pub fn new(benches: &[Bench]) -> Self {
        let registry = Registry::new();
        let counters = |name: &str, help: &str, labels: &[&str]| {
            let counter = IntCounterVec::new(Opts::new(name, help), labels).expect("a name that is allowed");
            registry.register(Box::new(counter.clone())).expect("registered once");
            counter
        };
        let gauges = |name: &str, help: &str, labels: &[&str]| {
            let gauge = IntGaugeVec::new(Opts::new(name, help), labels).expect("a name that is allowed");
            registry.register(Box::new(gauge.clone())).expect("registered once");
            gauge
        };
        let steps = counters("wattproof_steps_total", "Steps recorded by runs of this daemon.", &["bench"]);
        let listeners = IntGauge::new("wattproof_event_listeners", "Open event streams.").expect("allowed");
        registry.register(Box::new(listeners.clone())).expect("registered once");
        let measured =
            Opts::new("wattproof_bench_measured", "Last measured, in volts, amperes or degrees Celsius.");
        let measured = GaugeVec::new(measured, &["bench", "what"]).expect("allowed");
        registry.register(Box::new(measured.clone())).expect("registered once");
        let ended = counters(
            "wattproof_runs_ended_total",
            "Runs that ended, by what came out.",
            &["bench", "outcome"],
        );
        for bench in benches {
            // Known from the start: a rate needs its zero.
            steps.with_label_values(&[bench.bench.as_str()]).reset();
            for outcome in JobOutcome::ALL {
                ended.with_label_values(&[bench.bench.as_str(), outcome.word()]).reset();
            }
        }
        Metrics {
            steps,
            ended,
            answers: counters(
                "wattproof_http_answers_total",
                "Answers to HTTP requests, by status.",
                &["status"],
            ),
            listeners,
            jobs: gauges("wattproof_jobs", "Jobs by where they stand.", &["bench", "state"]),
            guard: gauges(
                "wattproof_bench_guard",
                "1 for the state that a bench's guard is in.",
                &["bench", "state"],
            ),
            off: gauges(
                "wattproof_bench_outputs_off",
                "1 where source and supply were read back off.",
                &["bench"],
            ),
            latched: gauges("wattproof_bench_trip_latched", "1 where a trip waits for a person.", &["bench"]),
            lost: gauges("wattproof_bench_not_opened", "1 where the last run could not open it.", &["bench"]),
            named: gauges("wattproof_bench_info", "1; what a bench is called by people.", &["bench", "name"]),
            measured,
            registry,
        }
    }

    /// A step was recorded.
    pub fn stepped(&self, bench: &str) {
        self.steps.with_label_values(&[bench]).inc();
    }

    /// A run ended.
    pub fn ended(&self, bench: &str, outcome: JobOutcome) {
        self.ended.with_label_values(&[bench, outcome.word()]).inc();
    }

    /// A request was answered.
    pub fn answered(&self, status: u16) {
        self.answers.with_label_values(&[&status.to_string()]).inc();
    }

    /// As text, with benches and jobs as they are now.
    ///
    /// # Errors
    /// The encoder's.
    pub fn text(
        &self,
        benches: &[Bench],
        jobs: &[Job],
        listeners: usize,
    ) -> Result<String, prometheus::Error> {
        self.listeners.set(i64::try_from(listeners).unwrap_or(i64::MAX));
        for bench in benches {
            for state in JobState::ALL {
                let count = jobs.iter().filter(|job| job.bench == bench.bench && job.state == state).count();
                let count = i64::try_from(count).unwrap_or(i64::MAX);
                self.jobs.with_label_values(&[bench.bench.as_str(), state.word()]).set(count);
            }
            for state in GuardState::ALL {
                let is_it = i64::from(bench.guard == state);
                self.guard.with_label_values(&[bench.bench.as_str(), state.word()]).set(is_it);
            }
            let name = [bench.bench.as_str()];
            self.off.with_label_values(&name).set(i64::from(bench.outputs == OutputsState::Off));
            self.latched.with_label_values(&name).set(i64::from(bench.latched.is_some()));
            self.lost.with_label_values(&name).set(i64::from(bench.lost.is_some()));
            self.named.with_label_values(&[name[0], &bench.name]).set(1);
            let values = [
                ("supply_v", bench.supply_v),
                ("supply_a", bench.supply_a),
                ("heatsink_c", bench.heatsink_c),
            ];
            for (what, value) in values {
                // What was not measured is not a number here, rather than an old one.
                self.measured.with_label_values(&[name[0], what]).set(value.unwrap_or(f64::NAN));
            }
        }
        let mut text = Vec::new();
        TextEncoder::new().encode(&self.registry.gather(), &mut text)?;
        Ok(String::from_utf8_lossy(&text).into_owned())
    }
}
