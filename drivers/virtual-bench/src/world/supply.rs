/// Output capacitor of the bench supply: how fast its voltage falls in current limit, F.
const OUTPUT_CAPACITANCE_F: f64 = 0.02;
/// Fastest change of the output voltage, V/s.
const SLEW_V_PER_S: f64 = 200.0;

/// The bench supply: voltage source with slew, falling into constant current above its limit.
#[derive(Debug, Clone)]
pub(crate) struct BenchSupply {
    pub set_v: f64,
    pub limit_a: f64,
    pub on: bool,
    pub out_v: f64,
    /// Time constant of the discharge after it is switched off, s; `None`: its own slew.
    pub discharge_tau_s: Option<f64>,
}

impl BenchSupply {
    pub fn new() -> Self {
        Self { set_v: 0.0, limit_a: 0.0, on: false, out_v: 0.0, discharge_tau_s: None }
    }

    /// Moves the output over `dt_s` while the amplifier takes `demand_a`.
    pub fn step(&mut self, dt_s: f64, demand_a: f64) {
        if let (false, Some(tau_s)) = (self.on, self.discharge_tau_s) {
            self.out_v *= (-dt_s / tau_s).exp();
            return;
        }
        let target = if self.on { self.set_v } else { 0.0 };
        let slew = SLEW_V_PER_S * dt_s;
        // Whatever the limit leaves over charges the output capacitor, whatever it lacks drains it.
        let spare_a = if self.on { self.limit_a - demand_a } else { f64::NEG_INFINITY };
        let rise = (spare_a * dt_s / OUTPUT_CAPACITANCE_F).min(slew);
        let wanted = (target - self.out_v).clamp(-slew, slew);
        self.out_v = (self.out_v + if self.on { wanted.min(rise) } else { wanted }).max(0.0);
    }

    /// Current that can flow, A.
    pub fn current_a(&self, demand_a: f64) -> f64 {
        if self.on { demand_a.min(self.limit_a) } else { 0.0 }
    }

    pub fn settled(&self) -> bool {
        (self.out_v - if self.on { self.set_v } else { 0.0 }).abs() < 1.0e-9
    }
}
