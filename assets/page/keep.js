// Everything is kept in one database of this browser. Where there is none (a private window), the page works and says so.
const DATABASE = 'pailbeat';
/** So many takes are kept. */
const TAKES = 5;
/** A recording that grew in this time still runs, in another tab. */
const ALIVE_MS = 5000;

/** @type {IDBDatabase | null} */ let database = null;

function openDatabase() {
  return new Promise((/** @type {(db: IDBDatabase | null) => void} */ done) => {
    try {
      const asked = indexedDB.open(DATABASE, 1);
      asked.onupgradeneeded = () => {
        asked.result.createObjectStore('kept');
        asked.result.createObjectStore('takes', { keyPath: 'id' });
        asked.result.createObjectStore('pieces', { keyPath: ['take', 'from'] });
      };
      asked.onsuccess = () => done(asked.result);
      asked.onerror = () => done(null);
      asked.onblocked = () => done(null);
    } catch {
      done(null);
    }
  });
}

/**
 * One step in the database.
 * @template T
 * @param {string} store @param {IDBTransactionMode} mode @param {(store: IDBObjectStore) => IDBRequest<T>} ask
 * @returns {Promise<T>}
 */
function step(store, mode, ask) {
  return new Promise((done, failed) => {
    if (!database) return failed(new Error('this browser keeps nothing here'));
    // What says that there is a take goes through to the disk, and with it what was recorded before.
    const turn = database.transaction(store, mode, { durability: store === 'takes' ? 'strict' : 'default' });
    const asked = ask(turn.objectStore(store));
    turn.oncomplete = () => done(asked.result);
    turn.onerror = turn.onabort = () => failed(turn.error ?? new Error('it could not be kept'));
  });
}

/** What is remembered, and nothing where it cannot be had. */
const recall = (/** @type {string} */ key) => step('kept', 'readonly', (s) => s.get(key)).catch(() => undefined);
const remember = (/** @type {string} */ key, /** @type {any} */ value) =>
  step('kept', 'readwrite', (s) => s.put(value, key)).catch(() => undefined);

const ofTake = (/** @type {string} */ id) => IDBKeyRange.bound([id, -Infinity], [id, Infinity]);

/** All takes of this part and this pupil, newest first. @returns {Promise<Kept[]>} */
async function takes() {
  /** @type {Kept[]} */
  const all = await step('takes', 'readonly', (s) => s.getAll()).catch(() => []);
  return all.filter((take) => take.of === whose()).sort((a, b) => b.began - a.began);
}

async function drop(/** @type {string} */ id) {
  await step('pieces', 'readwrite', (s) => s.delete(ofTake(id))).catch(() => undefined);
  await step('takes', 'readwrite', (s) => s.delete(id)).catch(() => undefined);
}

/** The sound of a take that is kept. @returns {Promise<Float32Array>} */
async function soundOf(/** @type {string} */ id) {
  const pieces = await step('pieces', 'readonly', (s) => s.getAll(ofTake(id)));
  return joined(pieces.map((p) => ({ from: p.from, samples: new Int16Array(p.samples) }))).samples;
}

/** Forgets everything, whatever other tabs have it open. */
async function forget() {
  endAll();
  const names = ['kept', 'takes', 'pieces'];
  try {
    await Promise.all(names.map((name) => step(name, 'readwrite', (s) => s.clear())));
  } catch {
    if (database) return choose('It could not be removed. Remove what this browser keeps of the page in its own settings.');
  }
  await page.unknow();
  Object.assign(state, { check: null, again: null, last: null, microphone: '', choice: 0 });
  if (choices.pupils.length > 1) state.pupil = null;
  choose('Everything that was kept on this device is gone.');
}

// What the page knows.

/** @type {State} */
const state = { pupil: null, wish: null, choice: 0, bpm: 0, heard: 'click', taken: 'both', microphone: '', check: null, again: null, last: null };

const whose = () => `${JSON.parse(held('handed')).sha256}/${state.pupil ?? ''}`;
