// The form that adds a job: bench, script and nameplate from the daemon's lists or from a text of one's own, a hold.

import { el } from '../dom.js';
import { get, post } from '../api.js';
import { holdFields } from '../hold.js';
import { shown } from '../problem.js';
import { Parameters } from './parameters.js';
import { Source } from './source.js';

export function submitForm(state) {
  const bench = el('select', { id: 'submit-bench', required: true });
  const parameters = new Parameters();
  // By name of the script, as the daemon lists them.
  const known = new Map();
  const script = new Source({
    id: 'script', label: 'Script', own: 'mine.rhai', accept: '.rhai,text/plain',
    chosen: (name) => parameters.show(name === null ? null : known.get(name) ?? []),
  });
  const nameplate = new Source({ id: 'nameplate', label: 'Nameplate', own: 'mine.toml', accept: '.toml,text/plain' });
  const hold = holdFields({ none: true, legend: 'Hold it' });
  const without = el('input', { type: 'checkbox', id: 'without', 'data-test': 'without-selfcheck' });
  const said = el('div', { 'data-test': 'submit-said' });
  const benchLine = el('div', { class: 'field' }, el('label', { for: bench.id }, 'Bench'), bench);
  const form = el('form', { class: 'panel form', 'data-test': 'submit' }, benchLine, script.node, parameters.node, nameplate.node, hold.node,
    el('div', { class: 'check' }, without, el('label', { for: without.id },
      'Without the self-check of the wiring (record and report will say so)')),
    el('button', { type: 'submit', class: 'main-button' }, 'Add'), said);
  form.addEventListener('submit', (event) => {
    event.preventDefault();
    shown(said, async () => {
      const job = await post(['jobs'], {
        bench: bench.value, script: script.value(), nameplate: nameplate.value(), set: parameters.value(), hold: hold.value(),
        without_selfcheck: without.checked,
      });
      without.checked = false;
      const place = job.position ? ` at place ${job.position}` : '';
      said.append(el('p', { role: 'status', 'data-test': 'added' }, `Job ${job.job} is ${job.state}${place}.`));
    });
  });
  const update = () => {
    const chosen = bench.value;
    // Of several none is taken by default: a job on the wrong bench is an amplifier that nobody expects to play.
    const none = state.benches.size > 1 ? [el('option', { value: '' }, 'Choose a bench')] : [];
    bench.replaceChildren(...none, ...[...state.benches.values()].map((one) => el('option', { value: one.bench }, one.name)));
    if (state.benches.has(chosen)) bench.value = chosen;
    benchLine.hidden = state.benches.size < 2;
  };
  update();
  shown(said, async () => {
    const [{ scripts }, { nameplates }] = await Promise.all([get(['scripts']), get(['nameplates'])]);
    scripts.forEach((one) => known.set(one.name, one.parameters));
    script.offer(scripts.map((one) => ({ name: one.name, words: one.name, more: one.fault ?? one.purpose })));
    nameplate.offer(nameplates.map((one) => ({
      name: one.name, words: `${one.amplifier} (${one.name})`, more: `${one.ratings} ${one.ratings === 1 ? 'rating' : 'ratings'}`,
    })));
  });
  return { node: form, update };
}
