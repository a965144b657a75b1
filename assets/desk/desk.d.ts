// What the program tells the desk's script of a take; for the type checker alone. Times in seconds, places in shares of a drawing.
interface Spot { x: number; y: number; at_s: number; written_s: number; bar: number; stroke: number | null; words: string }
interface BarOfTake { from_s: number; to_s: number; written_s: number; words: string }
interface Played {
  take: number; sound: string; written: string | null; charts: [Spot[][], Spot[][]]; bars: BarOfTake[]; begin_bar: number | null; bpm: number;
}
interface PartTold { mistakes: { place: [number, number] | null; width: number; what: string; hint: string }[]; good: boolean; played: string }
