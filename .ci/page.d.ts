// What the server tells the page, and what the page's scripts hand to each other; for the type check alone.

type Attributes = Record<string, unknown>;
type Link = import("../server/pages/static/link.js").Link;

interface Amount { way: string; value: string; unit: string }
interface Act { kind: string; what: string; where: string; amount: Amount[]; tone?: string }
interface Big { value: string; unit: string; label: string; kind: string }
interface Button { label: string; action: string; body: Record<string, unknown>; link?: string }
interface Aim { station: string; head_mm: number[]; offset_mm: number[]; sigma_mm: number | number[] }
interface Mark { offset_mm: number[]; width_mm: number[] }
interface Card { station: string; name: string; head: string; axes: Record<string, string>; trail: number[][]; mark: Mark | null; aim: Aim | null; words: string }
interface Picture { station: string; homography: number[][]; size_px: number[] }
interface Contact { name: string; at_mm: number[]; turns: boolean }
interface Mount { mirror: number; contacts: Contact[]; screw: string; turns: number }
interface Shift { part: string; name: string; lines: Amount[] }
interface Plan { width_mm: number; depth_mm: number; corner: string; head_mm: number[] | null; wanted_mm: number[] | null; station: string | null; words: string; controller: string }
interface Follow { station: string; aim: number[]; start: number[] | null; old: number[] | null; turns: number }
interface Way { kind: string; words: string; left: number | null; gap_mm: number; stands: string[]; big: Big[]; goes: Big[] }
interface Live { station: string; offset_mm: number[]; taken_ms: number; way?: Way | null }
interface Landing { kind: string; words: string; left: number; gap_mm: number }
interface Elsewhere { name: string; offset_mm: number[] | null; station: string | null; silent: boolean; fault: string; has_picture: boolean; seen: number }
interface Rig { faults: { line: string; urgent: boolean }[]; rigs: Elsewhere[]; live: Live | null; lid_closed: boolean | null }
interface ChainLink { link: string; name: string; state: string; note: string }
interface VerdictRow { name: string; value: string; limit: string; good: boolean; known: boolean }
interface Verdict { aligned: boolean; good: boolean; headline: string; rows: VerdictRow[]; reasons: string[]; power: string | null; worst: string }
interface ReadingRow { id: number; when: string; kind: string; withdrawn: boolean; has_picture: boolean; words: string }
interface FinishStep { words: string; link: string }
interface Hold { mount: number; screw: string; way: number }

interface State {
  version: number; run: string; source: string; alignment: number | null; said: string; old: string; missed: boolean;
  cautions_acknowledged: boolean; laser: string; do: string; now: string; fires: boolean; film: boolean; near_tube: boolean;
  follow: Follow | null; way: Way | null; act: Act; say: string[]; why: string;
  primary: Button | null; others: Button[]; choices: Button[]; again: Button | null; undo?: Button | null; big: Big[];
  landing: Landing | null; finish: { told: string; steps: FinishStep[] } | null; card: Card | null; picture: Picture | null;
  mount: Mount | null; shift: Shift | null; plan: Plan; rig: Rig | null; chain: ChainLink[]; verdict: Verdict | null;
  readings: ReadingRow[]; mounts: { mirror: number; contacts: Contact[] }[]; holder: string | null; units: string;
  bars_mm: number[] | null; step?: number | string;
}
