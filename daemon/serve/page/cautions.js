// The usual cautions, at the foot of every view. The words are those of `daemon/app/src/cautions.rs`; a test compares.

import { el } from './dom.js';

export const CAUTIONS = `Outputs above 30 V rms can injure: never touch a live output. Dummy loads and heatsinks burn
skin and ignite paper. Fuse batteries close to the positive post; vent them, cover terminals, take off jewellery, wear
eye protection. Both sides of a bridged output are live: a grounded probe shorts it. Capacitors stay charged after
switch-off. Loud tones harm hearing: use dummy loads. This program is one layer only: fuses, the supply's own
protection and a contactor within reach come first. Local codes and licensed practice come before this text.`;

export function startCautions(state) {
  const version = el('p', { class: 'version' });
  document.getElementById('foot').replaceChildren(
    el('h2', {}, 'Cautions'), el('p', { id: 'cautions' }, CAUTIONS.replace(/\s+/g, ' ')), version);
  state.subscribe((kind) => {
    if (kind === 'all') version.textContent = `Wattproof ${state.version}`;
  });
}
