// Plain pictures in place of the daemon's figures: enough to see how the page holds them.

const STYLE = `text{font:13px system-ui,sans-serif;fill:#55605f}path{fill:none;stroke:#17566f;stroke-width:2}
line{stroke:#d9d7ce}.b{stroke:#a11d16;stroke-dasharray:6 4}
@media(prefers-color-scheme:dark){text{fill:#a9b2b0}path{stroke:#8cc6e0}line{stroke:#343d3f}.b{stroke:#ff9f95}}`;

/** A line figure. `curves`: lists of [x, y], each scaled to the frame by the same ranges. */
function picture(title, desc, width, curves, axes) {
  const height = Math.round(width * (width < 500 ? 0.75 : 0.5));
  const [left, right, top, bottom] = [52, 12, 12, 40];
  const all = curves.flat();
  const range = (at) => [Math.min(...all.map((point) => point[at])), Math.max(...all.map((point) => point[at]))];
  const [[x0, x1], [y0, y1]] = [range(0), range(1)];
  const x = (value) => left + ((value - x0) / (x1 - x0 || 1)) * (width - left - right);
  const y = (value) => height - bottom - ((value - y0) / (y1 - y0 || 1)) * (height - top - bottom);
  const grid = [0, 0.25, 0.5, 0.75, 1].map((part) => {
    const at = y(y0 + part * (y1 - y0)).toFixed(1);
    const value = axes.label(y0 + part * (y1 - y0));
    return `<line x1="${left}" x2="${width - right}" y1="${at}" y2="${at}"/><text x="${left - 6}" y="${Number(at) + 4}" text-anchor="end">${value}</text>`;
  }).join('');
  const lines = curves.map((curve, at) => `<path class="${at ? 'b' : 'a'}" d="M${curve.map(([px, py]) => `${x(px).toFixed(1)} ${y(py).toFixed(1)}`).join('L')}"/>`).join('');
  return `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 ${width} ${height}" role="img"><title>${title}</title><desc>${desc}</desc>`
    + `<style>${STYLE}</style>${grid}${lines}<text x="${left}" y="${height - 10}">${axes.x}</text></svg>`;
}

const range = (count, value) => Array.from({ length: count }, (_, at) => value(at / (count - 1)));

/** A figure by its name, from the steps there are. */
export function figure(name, steps, asked, width) {
  const step = steps.find((one) => one.step === asked) ?? steps.at(-1);
  const [channel] = step.channels;
  const peak = channel.out_vrms * Math.SQRT2;
  if (name === 'waveform') {
    const wave = range(300, (at) => [at * 2, Math.max(-peak, Math.min(peak, 1.04 * peak * Math.sin(4 * Math.PI * at)))]);
    return picture('Waveform', `Output of step ${step.step}`, width, [wave], { x: 'ms', label: (v) => v.toFixed(0) });
  }
  if (name === 'spectrum') {
    const lines = range(20, (at) => at * 20).flatMap((khz, at) => [[khz, -130], [khz, at % 2 ? -20 - at * 5 : -120], [khz, -130]]);
    return picture('Spectrum', `Output of step ${step.step}`, width, [lines], { x: 'kHz', label: (v) => v.toFixed(0) });
  }
  if (name === 'supply') {
    const of = (key) => steps.map((one) => [one.at_s, one[key]]);
    return picture('Supply and heatsink', 'Supply voltage and heatsink against time', width, [of('supply_v'), of('heatsink_c')], { x: 's', label: (v) => v.toFixed(1) });
  }
  const curve = (shift) => steps.map((one) => [Math.log10(one.channels[0].active_w) + shift, Math.log10(one.channels[0].thdn_pct)]).sort((a, b) => a[0] - b[0]);
  return picture('Power against distortion', `${steps.length} steps`, width, name === 'compare' ? [curve(0), curve(-0.03)] : [curve(0)], { x: 'W', label: (v) => `${(10 ** v).toPrecision(2)} %` });
}
