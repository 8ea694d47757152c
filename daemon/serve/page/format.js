// Numbers with their units and times, as people read them; the exact value stays beside them.

const ABSENT = '–';
/** How many decimals, or else significant digits, a unit is shown with. */
const DECIMALS = { '°C': 1, dB: 2 };
const DIGITS = { W: 4, V: 4, 'V rms': 4, A: 4, 'A rms': 4, '%': 3, Hz: 5, Ω: 3, s: 3 };
/** Units that are shown with a prefix when they are small. */
const PREFIXED = new Set(['V', 'V rms', 'A', 'A rms', 'W']);
const PREFIXES = [['', 1], ['m', 1e-3], ['µ', 1e-6], ['n', 1e-9]];

/** Whether a value was measured at all. */
export function known(value) {
  return typeof value === 'number' && Number.isFinite(value);
}

/** A number with so many significant digits, never in exponents; whole digits are never rounded away. */
export function digits(value, count) {
  if (value === 0) return '0';
  const whole = Math.floor(Math.log10(Math.abs(value))) + 1;
  return value.toFixed(Math.min(Math.max(count - whole, 0), 12));
}

/** The words for a value with its unit, as "115.6 W"; a dash when it was not measured. */
export function quantityText(value, unit, decimals = DECIMALS[unit]) {
  if (!known(value)) return ABSENT;
  if (decimals !== undefined) return withUnit(value.toFixed(decimals), unit);
  if (PREFIXED.has(unit) && value !== 0 && Math.abs(value) < 0.1) {
    const [prefix, scale] = PREFIXES.find(([, step]) => Math.abs(value) >= step) ?? PREFIXES.at(-1);
    return withUnit(digits(value / scale, 3), `${prefix}${unit}`);
  }
  return withUnit(digits(value, DIGITS[unit] ?? 4), unit);
}

// A minus sign, not a hyphen, and a space at which no line breaks.
function withUnit(text, unit) {
  return `${text.replace(/^-/, '−')}${unit ? `\u00a0${unit}` : ''}`;
}

/** Decimals with which an uncertainty has two significant digits: no more of the value is worth showing. */
export function decimalsOf(uncertainty) {
  if (!known(uncertainty) || uncertainty <= 0) return undefined;
  return Math.min(Math.max(1 - Math.floor(Math.log10(uncertainty)), 0), 9);
}

/** An element with the value as people read it and, for programs, as it is. */
export function quantity(value, unit, decimals) {
  const node = document.createElement('span');
  node.className = 'quantity';
  setQuantity(node, value, unit, decimals);
  return node;
}

// Changes such an element.
function setQuantity(node, value, unit, decimals) {
  const text = quantityText(value, unit, decimals);
  if (node.textContent !== text) node.textContent = text;
  node.dataset.value = known(value) ? String(value) : '';
  node.dataset.unit = unit;
}

/** Value ± U with its unit. */
export function uncertain(value, uncertainty, unit) {
  const node = document.createElement('span');
  node.className = 'quantity';
  const decimals = decimalsOf(uncertainty);
  node.dataset.value = known(value) ? String(value) : '';
  node.dataset.unit = unit;
  if (!known(value)) node.textContent = ABSENT;
  else if (decimals === undefined) node.textContent = quantityText(value, unit);
  else node.textContent = `${value.toFixed(decimals)} ± ${uncertainty.toFixed(decimals)}\u00a0${unit}`;
  return node;
}

/** A number as it was written in a claim: no digits added, none lost. */
export function plain(value, unit) {
  return known(value) ? `${value}\u00a0${unit}` : ABSENT;
}

/** Seconds as "31 s", "4 min 10 s", "2 h 05 min". */
export function duration(seconds) {
  if (!known(seconds) || seconds < 0) return ABSENT;
  const whole = Math.round(seconds);
  if (whole < 60) return `${whole}\u00a0s`;
  if (whole < 3600) return `${Math.floor(whole / 60)}\u00a0min ${whole % 60}\u00a0s`;
  const minutes = String(Math.floor((whole % 3600) / 60)).padStart(2, '0');
  return `${Math.floor(whole / 3600)}\u00a0h ${minutes}\u00a0min`;
}

/** How much a file holds. */
export function size(bytes) {
  if (!known(bytes)) return ABSENT;
  if (bytes < 1000) return `${bytes}\u00a0bytes`;
  return bytes < 1e6 ? `${digits(bytes / 1e3, 2)}\u00a0kB` : `${digits(bytes / 1e6, 2)}\u00a0MB`;
}

/** A time of day (with the date unless it is today), in local time, with UTC in its title. */
export function moment(utc, { withDate = false } = {}) {
  const node = document.createElement('time');
  const date = new Date(utc ?? NaN);
  if (Number.isNaN(date.getTime())) {
    node.textContent = ABSENT;
    return node;
  }
  node.dateTime = utc;
  node.title = `${date.toISOString().replace('T', ' ')} (UTC)`.replace('Z ', ' ');
  const today = date.toDateString() === new Date().toDateString();
  node.textContent = withDate || !today ? `${day(date)} ${clock(date, withDate)}` : clock(date, false);
  return node;
}

function day(date) {
  const two = (number) => String(number).padStart(2, '0');
  return `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())}`;
}

function clock(date, short) {
  const parts = { hour: '2-digit', minute: '2-digit', hourCycle: 'h23', ...(short ? {} : { second: '2-digit' }) };
  return date.toLocaleTimeString(undefined, parts);
}
