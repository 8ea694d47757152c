use crate::amplifier::CHANNELS_MAX;

/// Inputs a digitizer has at most: volts and amperes of every channel.
pub const INPUTS_MAX: usize = 2 * CHANNELS_MAX;

/// What is wrong with one input. The default is nothing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Input {
    /// Factor on what its divider or sensor gives; below zero it is reversed.
    pub gain: f64,
    /// Direct voltage on top, V at the converter.
    pub offset_v: f64,
    /// Departure from the straight line at the end of the range, as a share of it: v·(1 + bend·(v/range)²).
    pub bend: f64,
}

impl Default for Input {
    fn default() -> Self {
        Self { gain: 1.0, offset_v: 0.0, bend: 0.0 }
    }
}

/// How the digitizer's inputs are connected, in the order of the front end. The default is as they should be.
#[derive(Debug, Clone, PartialEq)]
pub struct Inputs {
    /// What is wrong with each divider, sensor and input.
    pub each: [Input; INPUTS_MAX],
    /// Two inputs whose leads are exchanged, from 0.
    pub exchanged: Option<(usize, usize)>,
}

impl Default for Inputs {
    fn default() -> Self {
        Self { each: [Input::default(); INPUTS_MAX], exchanged: None }
    }
}

impl Inputs {
    /// The divider or sensor that hangs on an input.
    pub(crate) fn sensor_at(&self, input: usize) -> usize {
        match self.exchanged {
            Some((first, second)) if input == first => second,
            Some((first, second)) if input == second => first,
            _ => input,
        }
    }

    /// What the divider or sensor `sensor` gives, as the converter of `input` sees it, V.
    pub(crate) fn spoil(&self, input: usize, sensor: usize, range_v: f64, volts: &mut [f64]) {
        let at = |index: usize| self.each.get(index).copied().unwrap_or_default();
        let (gain, Input { offset_v, bend, .. }) = (at(sensor).gain, at(input));
        for v in volts {
            let through = *v * gain;
            *v = through * (1.0 + bend * (through / range_v).powi(2)) + offset_v;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By definition: v·g·(1 + b·(v·g/r)²) + o.
    #[test]
    fn an_input_is_spoiled_as_named() {
        let mut inputs = Inputs::default();
        let spoiled = |inputs: &Inputs, input, sensor| {
            let mut volts = [2.0];
            inputs.spoil(input, sensor, 4.0, &mut volts);
            volts[0]
        };
        assert_eq!(spoiled(&inputs, 0, 0), 2.0);
        inputs.each[0] = Input { gain: -1.0, offset_v: 0.5, bend: 0.04 };
        assert_eq!(spoiled(&inputs, 0, 0), -2.0 * 1.01 + 0.5);
        inputs.exchanged = Some((0, 1));
        assert_eq!([0, 1, 2].map(|input| inputs.sensor_at(input)), [1, 0, 2]);
        // The sensor takes its gain along, the converter keeps its offset and bend.
        assert_eq!((spoiled(&inputs, 0, 1), spoiled(&inputs, 1, 0)), (2.0 * 1.01 + 0.5, -2.0));
    }
}
