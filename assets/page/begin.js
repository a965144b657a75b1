// The beginning.
/** What this device knows of who plays. */
async function begun() {
  state.again = (await recall(`again/${whose()}`)) ?? null;
  state.choice = 0;
  await choose();
}

/** Makes known to the library how the surfaces sound here. */
async function known() {
  const { check } = state;
  if (!check?.strikes || !holds()) return;
  await ask('know', [check.strikes, check.rate, check.surfaces, JSON.stringify(check.check)]).catch(() => (state.check = null));
}

async function openPage() {
  if (typeof DecompressionStream === 'undefined' || typeof WebAssembly === 'undefined' || typeof AudioWorkletNode === 'undefined' || typeof Worker === 'undefined') {
    main.replaceChildren(make('h1', {}, 'This browser is too old for the page'),
      make('p', {}, 'Open it in a newer one: Firefox, Chrome, Edge or Safari of 2023 or later.'));
    return;
  }
  choices = JSON.parse(await page.choices());
  for (const bold of [false, true]) {
    const file = /** @type {Uint8Array<ArrayBuffer>} */ (await page.typeface(bold));
    document.fonts.add(new FontFace('Noto Serif', file, { weight: bold ? '700' : '400' }));
  }
  database = await openDatabase();
  state.bpm = Math.round(choices.bpm);
  const named = await recall('pupil');
  state.pupil = choices.pupils.length === 1 ? choices.pupils[0] : choices.pupils.includes(named) ? named : null;
  state.heard = (await recall('heard')) ?? 'click';
  state.taken = (await recall('taken')) ?? 'both';
  state.microphone = (await recall('microphone')) ?? '';
  state.check = (await recall('check')) ?? null;
  await known();
  await begun();
}

// What is folded is printed, too.
addEventListener('beforeprint', () => main.querySelectorAll('.after details').forEach((it) => it.setAttribute('open', '')));

openPage().catch((error) => {
  main.replaceChildren(make('h1', {}, 'The page could not start'),
    make('p', {}, `Try another browser, or tell your teacher what it says: ${error instanceof Error ? error.message : error}`));
});
