// The library, which hears and judges: it runs beside the page (worker.js) and answers later.
const held = (/** @type {string} */ id) => document.getElementById(id)?.textContent ?? '';

/** Asked for, and not answered yet. @type {Map<number, { done: (said: any) => void, failed: (error: Error) => void }>} */
const asked = new Map();
let questions = 0;
/** @type {Worker} */ let library;

/** Starts the library beside the page. */
async function start() {
  const address = URL.createObjectURL(new Blob([held('library')], { type: 'text/javascript' }));
  library = new Worker(address);
  const fail = (/** @type {string} */ why) => {
    asked.forEach(({ failed }) => failed(new Error(why)));
    asked.clear();
  };
  library.onerror = (error) => fail(error.message || 'its own script does not run here');
  library.onmessage = ({ data: { id, said, why, broken } }) => {
    const waits = asked.get(id);
    asked.delete(id);
    if (why === undefined) return waits?.done(said);
    waits?.failed(new Error(why));
    if (!broken || !started) return;
    // What has stopped in the middle of a thing is asked no more: another one is.
    library.terminate();
    fail(why);
    ready = start().then(known);
  };
  let started = false;
  await ask('start', [held('module'), held('handed')]);
  started = true;
  URL.revokeObjectURL(address);
}

/** @returns {Promise<any>} */
function ask(/** @type {string} */ name, /** @type {any[]} */ given) {
  return new Promise((done, failed) => {
    const id = questions++;
    asked.set(id, { done, failed });
    library.postMessage({ id, name, given });
  });
}

let ready = start();
// Whoever asks for something is told why it cannot be had.
ready.catch(() => undefined);

/** The library's calls, each answered later. @type {Later<Page>} */
const page = new Proxy(/** @type {any} */ ({}), {
  get: (_, name) => async (/** @type {any[]} */ ...given) => {
    await ready;
    return ask(String(name), given);
  },
});

/** Whoever wants only the ear. */
window.pailbeat = {
  assess: async (samples, rate, bpm) => JSON.parse(await page.assess(samples, rate, bpm)),
};

/** @type {Choices} */ let choices;
