// Builds and changes elements. Data only ever becomes text or an attribute, never markup.

/** An element. Attributes that are null or false are left out; `on` holds listeners; strings become text. */
export function el(name, attributes = {}, ...children) {
  const node = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === 'on') {
      for (const [event, listener] of Object.entries(value)) node.addEventListener(event, listener);
    } else if (value === true) {
      node.setAttribute(key, '');
    } else if (value !== null && value !== undefined && value !== false) {
      node.setAttribute(key, String(value));
    }
  }
  node.append(...kept(children));
  return node;
}

/** Children without the absent ones; numbers become text. */
function kept(children) {
  return children.flat(Infinity)
    .filter((child) => child !== null && child !== undefined && child !== false)
    .map((child) => (child instanceof Node ? child : String(child)));
}

/** Sets a text only when it changes, so that a screen reader or a selection is not disturbed for nothing. */
export function setText(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** Sets or removes an attribute only when it changes. */
export function setAttribute(node, name, value) {
  if (value === null || value === undefined) node.removeAttribute(name);
  else if (node.getAttribute(name) !== String(value)) node.setAttribute(name, String(value));
}

const shown = new WeakMap();

/** Rebuilds the children of a node only when what they are made from has changed. */
export function redraw(node, from, build) {
  const key = JSON.stringify(from);
  if (shown.get(node) === key) return false;
  shown.set(node, key);
  node.replaceChildren(...kept([build()]));
  return true;
}

/** Keeps one child for each item, in their order, and the focus where it was. */
export function keyed(parent, items, keyOf, make, update) {
  const there = new Map([...parent.children].map((child) => [child.dataset.key, child]));
  const wanted = items.map((item) => {
    const key = String(keyOf(item));
    let child = there.get(key);
    if (!child) {
      child = make(item);
      child.dataset.key = key;
    }
    update(child, item);
    return child;
  });
  if (wanted.length === parent.children.length && wanted.every((child, at) => parent.children[at] === child)) return;
  const focused = document.activeElement;
  parent.replaceChildren(...wanted);
  if (focused && parent.contains(focused)) focused.focus();
}
