// What the page's code and the library hand each other; for the type checker alone.
interface Wish { section: string | null; bars: [number, number] | null; join: [string, string] | null; times: number; bpm: number; heard: string }
interface Choices {
  title: string; meter: string; form: string[]; pupils: string[]; bpm: number; slowest: number; fastest: number;
  pieces: { words: string; detail: string; wish: Wish }[];
  surfaces: { word: string; say: string; sign: string }[];
  check_strikes_from_s: number; check_each_s: number; check_holds_hours: number; caution: string; care: string;
}
interface Plan {
  bpm: number; start_s: number; length_s: number; beat_s: number; count_in: number; passes: string[];
  bars: { at_s: number; pass: number; section: string; number: number; time: string; drawing: number }[];
  drawings: { svg: string; counts: [number, number, number, number, number][] }[][];
}
interface Checked {
  change: { word: string; say: string } | null; others: number; surfaces: { word: string; heard: number }[];
  keep_s: [number, number] | null; check: { audible_from_db: number | null };
}
interface Told {
  keep: string; fix: string; next: string; chart: string; twin: string; limits: string[]; next_bpm: number;
  again: { words: string; place: string; wish: Wish; played_s: [number, number] | null } | null;
  rule: { words: string; bpm: number; tally: { clean: number; failed: number } } | null;
}
interface Piece { from: number; samples: Int16Array }
interface Taken { samples: Float32Array; missing: number; rate: number }
interface Kept { id: string; of: string; began: number; touched: number; whole: boolean; wish: Wish; facts: any; rate: number }
interface State {
  pupil: string | null; wish: Wish | null; choice: number; bpm: number; heard: string; microphone: string;
  check: { at: number; check: Checked['check']; surfaces: string; strikes: Float32Array | null; rate: number } | null;
  again: { place: string; wish: Wish; bpm: number } | null;
  last: { said: any; samples: Float32Array; rate: number; id: string | null } | null;
}
interface Page {
  choices(): string;
  plan(wish: string): string;
  guide(wish: string, rate: number): Float32Array;
  assess(samples: Float32Array, rate: number, bpm: number): string;
  hear(wish: string, facts: string, samples: Float32Array, rate: number): string;
  told(): string;
  probe(rate: number): Float32Array;
  check(samples: Float32Array, rate: number, playedFrom: number | undefined, began: string, surfaces: string): string;
  know(samples: Float32Array, rate: number, surfaces: string, check: string): void;
  unknow(): void;
  given(samples: Float32Array, rate: number, strikes: Float32Array, strikesRate: number): Uint8Array;
}
declare const wasm_bindgen: {
  (from: { module_or_path: ArrayBuffer }): Promise<unknown>;
  Page: new (handed: string) => Page;
};
interface Window { pailbeat: { assess(samples: Float32Array, rate: number, bpm: number): Promise<any> } }
