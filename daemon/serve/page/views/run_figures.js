// The four figures of a run: power against distortion, last waveform, last spectrum, supply and heatsink over time.

import { Figure } from '../figure.js';

export class RunFigures {
  #distortion = new Figure('distortion', 'Power against distortion');
  #supply = new Figure('supply', 'Supply and heatsink over time');
  #waveform = new Figure('waveform', 'Waveform of the last capture');
  #spectrum = new Figure('spectrum', 'Spectrum of the last capture');
  /** Those of the whole run, and those of one capture. */
  whole = [this.#distortion.node, this.#supply.node];
  capture = [this.#waveform.node, this.#spectrum.node];

  /** Shows those of a run; waveform and spectrum are those of a step, or of the last one where it is null. */
  show(run, step = null, channel = null) {
    this.#distortion.show(['runs', run, 'figures', 'distortion.svg']);
    this.#supply.show(['runs', run, 'figures', 'supply.svg']);
    this.showStep(run, step, channel);
  }

  /** Waveform and spectrum alone; without a channel the daemon takes the worst driven one. */
  showStep(run, step, channel = null) {
    const where = step === null ? 'of the last capture' : `of step ${step}${channel === null ? '' : `, channel ${channel}`}`;
    this.#waveform.show(['runs', run, 'figures', 'waveform.svg'], { step, channel }, `Waveform ${where}`);
    this.#spectrum.show(['runs', run, 'figures', 'spectrum.svg'], { step, channel }, `Spectrum ${where}`);
  }
}
