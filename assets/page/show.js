// Small helpers for what is shown.
const main = /** @type {HTMLElement} */ (document.getElementById('page'));

/**
 * An element; what begins with `on` listens, the rest are attributes.
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag @param {Record<string, any>} [set] @param {...(Node | string | null)} inside
 * @returns {HTMLElementTagNameMap[K]}
 */
function make(tag, set = {}, ...inside) {
  const out = document.createElement(tag);
  for (const [name, value] of Object.entries(set)) {
    if (name.startsWith('on')) out.addEventListener(name.slice(2), value);
    else if (value === true) out.setAttribute(name, '');
    else if (value !== false && value != null) out.setAttribute(name, String(value));
  }
  out.append(...inside.filter((item) => item !== null));
  return out;
}

/** A piece of HTML of the library's, which has escaped all that came from outside. */
function piece(/** @type {string} */ html, /** @type {keyof HTMLElementTagNameMap} */ tag = 'div', set = {}) {
  const out = make(tag, set);
  out.innerHTML = html;
  return out;
}

const button = (/** @type {string | Node} */ words, /** @type {() => void} */ press, set = {}) =>
  make('button', { type: 'button', onclick: press, ...set }, words);

/** What has to end before another moment is made ready: sounds, timers, keys. @type {(() => void)[]} */
let endings = [];
const atEnd = (/** @type {() => void} */ ending) => endings.push(ending);
const endAll = () => {
  const all = endings;
  endings = [];
  all.forEach((ending) => ending());
};

/** Shows a moment; its heading takes the focus, so that a screen reader begins there. */
function show(/** @type {string} */ name, /** @type {(Node | string | null)[]} */ ...inside) {
  const body = make('div', { class: name }, ...inside.filter((item) => item !== null));
  main.replaceChildren(body);
  const heading = body.querySelector('h1');
  heading?.setAttribute('tabindex', '-1');
  heading?.focus({ preventScroll: true });
  window.scrollTo(0, 0);
}

const two = (/** @type {number} */ n) => String(n).padStart(2, '0');
/** A moment as take cards write it: date, time, zone. */
function written(at = new Date()) {
  const zone = -at.getTimezoneOffset();
  const off = Math.abs(zone);
  return `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())} ${two(at.getHours())}:${two(at.getMinutes())}:` +
    `${two(at.getSeconds())} ${zone < 0 ? '-' : '+'}${two(Math.floor(off / 60))}${two(off % 60)}`;
}
