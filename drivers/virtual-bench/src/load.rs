//! What hangs on an output: a resistor, or a loudspeaker's electrical equivalent.

use std::f64::consts::TAU;

use realfft::num_complex::Complex64;
use thiserror::Error;

/// Why a load was refused.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum LoadError {
    /// A parameter is not a finite positive number.
    #[error("load parameter `{parameter}` is {value}, it must be a finite number above 0; correct it")]
    NotPositive {
        /// Name of the parameter.
        parameter: &'static str,
        /// Value found.
        value: f64,
    },
}

/// Small-signal parameters of a loudspeaker (Thiele and Small).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ThieleSmall {
    /// Dc resistance of the voice coil, Ω.
    pub re_ohm: f64,
    /// Inductance of the voice coil, H.
    pub le_h: f64,
    /// Electrical Q at resonance.
    pub qes: f64,
    /// Mechanical Q at resonance.
    pub qms: f64,
    /// Resonance, Hz.
    pub fs_hz: f64,
}

impl ThieleSmall {
    /// Resistance of the motional branch, Ω: `Re·Qms/Qes`.
    pub fn res_ohm(&self) -> f64 {
        self.re_ohm * self.qms / self.qes
    }

    /// Capacitance of the motional branch, F: `Qes/(ωs·Re)`.
    pub fn cmes_f(&self) -> f64 {
        self.qes / (TAU * self.fs_hz * self.re_ohm)
    }

    /// Inductance of the motional branch, H: `Re/(ωs·Qes)`.
    pub fn lces_h(&self) -> f64 {
        self.re_ohm / (TAU * self.fs_hz * self.qes)
    }

    /// Impedance of the parallel motional branch alone, Ω.
    pub(crate) fn motional(&self, hz: f64) -> Complex64 {
        let w = TAU * hz;
        let admittance = Complex64::new(1.0 / self.res_ohm(), w * self.cmes_f() - 1.0 / (w * self.lces_h()));
        admittance.inv()
    }
}

/// A load on one output.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Load {
    /// A resistor.
    Resistive {
        /// Resistance, Ω.
        ohm: f64,
    },
    /// A loudspeaker's electrical equivalent.
    Loudspeaker(ThieleSmall),
}

impl Load {
    /// A resistor, checked.
    ///
    /// # Errors
    /// [`LoadError::NotPositive`] for zero, negative or non-finite values.
    pub fn resistive(ohm: f64) -> Result<Self, LoadError> {
        positive("ohm", ohm)?;
        Ok(Self::Resistive { ohm })
    }

    /// A loudspeaker, checked.
    ///
    /// # Errors
    /// [`LoadError::NotPositive`] for a parameter that is zero, negative or not finite.
    pub fn loudspeaker(p: ThieleSmall) -> Result<Self, LoadError> {
        positive("re_ohm", p.re_ohm)?;
        positive("le_h", p.le_h)?;
        positive("qes", p.qes)?;
        positive("qms", p.qms)?;
        positive("fs_hz", p.fs_hz)?;
        Ok(Self::Loudspeaker(p))
    }

    /// Complex impedance at `hz`, Ω: `Re + jωLe + (1/Res + 1/(jωLces) + jωCmes)⁻¹` for a loudspeaker.
    pub fn impedance(&self, hz: f64) -> Complex64 {
        match self {
            Self::Resistive { ohm } => Complex64::new(*ohm, 0.0),
            Self::Loudspeaker(p) => Complex64::new(p.re_ohm, TAU * hz * p.le_h) + p.motional(hz),
        }
    }
}

fn positive(parameter: &'static str, value: f64) -> Result<(), LoadError> {
    if value.is_finite() && value > 0.0 { Ok(()) } else { Err(LoadError::NotPositive { parameter, value }) }
}
