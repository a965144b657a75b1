// What the page's code and the library hand each other; for the type checker alone.
interface Wish { section: string | null; bars: [number, number] | null; join: [string, string] | null; times: number; bpm: number; heard: string }
interface Choices {
  title: string; meter: string; form: string[]; pupils: string[]; bpm: number; slowest: number; fastest: number;
  pieces: { words: string; detail: string; wish: Wish }[];
  /** The echo drill's title, where there is one. */
  drill: string | null;
  surfaces: { word: string; say: string; sign: string }[];
  check_strikes_from_s: number; check_each_s: number; check_holds_hours: number; caution: string; care: string;
}
interface Plan {
  bpm: number; start_s: number; length_s: number; beat_s: number; count_in: number; passes: string[];
  bars: { at_s: number; pass: number; section: string; number: number; time: string; drawing: number }[];
  drawings: Drawing[][];
}
interface Checked {
  change: { word: string; say: string } | null; others: number; surfaces: { word: string; heard: number }[];
  keep_s: [number, number] | null; check: { audible_from_db: number | null; round_trip_ms: number | null };
}
interface Told {
  keep: string; fix: string; next: string; chart: string; twin: string; limits: string[]; next_bpm: number;
  again: { words: string; place: string; wish: Wish; played_s: [number, number] | null } | null;
  rule: { words: string; bpm: number; tally: { clean: number; failed: number } } | null;
}
interface Drawing { svg: string; counts: [number, number, number, number, number][] }
interface Drill {
  title: string; rule: string; length_s: number; rounds: number[]; hush: number; hush_s: [number, number] | null;
  calls: { name: string; length_s: number; bars: { at_s: number; drawings: Drawing[] }[] }[];
  moments: { at_s: number; round: number; say: string; turn: string; beat: number | null }[];
}
interface SaidNow { round: number; verdict: string; text: string; ended_s: number; call_heard: boolean; over: boolean }
interface Drilled { tally: string; rounds: { call: string; text: string }[]; limits: string[]; results: string }
/** A take or a drill: what sounds, what is shown, what becomes of it. */
interface Played {
  /** The same once more, where the microphone was refused. */
  again: () => void;
  wish: Wish | null; facts: any; length_s: number; heading: (Node | string)[]; shown: Node[]; care: string;
  sound: ((rate: number) => Promise<Float32Array>) | null;
  /** Shows where it is, in seconds from its first sample. */
  at: (t: number, finish: () => void) => void;
  /** Told once it sounds: where its first sample stands in the recording. */
  begun: (facts: any, start: number, recording: any) => void;
  heard: (facts: any, samples: Float32Array, rate: number, id: string | null, notes: string[]) => Promise<void>;
}
interface Piece { from: number; samples: Int16Array }
interface Taken { samples: Float32Array; missing: number; rate: number }
interface Kept { id: string; of: string; began: number; touched: number; whole: boolean; /** None for a drill. */ wish: Wish | null; facts: any; rate: number }
interface State {
  pupil: string | null; wish: Wish | null; choice: number; bpm: number; heard: string; taken: string; microphone: string;
  check: { at: number; check: Checked['check']; surfaces: string; strikes: Float32Array | null; rate: number } | null;
  again: { place: string; wish: Wish; bpm: number } | null;
  last: { said: any; samples: Float32Array; rate: number; id: string | null } | null;
}
interface Page {
  choices(): string;
  typeface(bold: boolean): Uint8Array;
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
  drill(pupil: string | undefined): string;
  drill_sound(pupil: string | undefined, rate: number): Float32Array;
  drill_begin(pupil: string | undefined, rate: number): void;
  drill_listen(samples: Float32Array, told_s: number): string | undefined;
  drill_signal(rate: number): Float32Array;
  drill_end(pupil: string | undefined, recording: string, samples: Float32Array, rate: number): string;
  given_drill(samples: Float32Array, rate: number): Uint8Array;
}
/** The same, asked beside the page. */
type Later<T> = { [K in keyof T]: T[K] extends (...given: infer G) => infer R ? (...given: G) => Promise<R> : never };
interface Window { pailbeat: { assess(samples: Float32Array, rate: number, bpm: number): Promise<any> } }
