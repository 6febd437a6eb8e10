// What the scripts of the room's page hand to each other. What the server says comes from the protocol itself.
import type * as protocol from "./generated/messages";

declare global {
  type RoomMessage = protocol.Message;
  type RoomRequest = protocol.Request;
  type RoomState = protocol.State;
  type LightView = protocol.LightView;
  type Exposure = protocol.Exposure;
  type FieldChoice = protocol.FieldChoice;
  type Edit = protocol.EditScene["edits"][number];
  type Frame = protocol.Frame;
  /** With its layers: halves, RGB, row by row. */
  type Live = protocol.Live & { halves: Uint16Array<ArrayBuffer> };
  type AloneAtFace = protocol.AloneAtFace;
  type MeterPoint = protocol.MeterPoint;
  type KeptVersion = protocol.KeptVersion;
  type HomeView = protocol.Home;
  type SetCardView = protocol.SetCard;
  type StartCardView = protocol.StartCard;

  /** The last message of each kind under its name. */
  type Heard = {
    [M in Exclude<RoomMessage, RoomState | protocol.Table> as M["type"]]: (M extends protocol.Live ? Live : M) | null;
  };

  interface Look {
    stops: number;
    balance_K: number | null;
    rendering: string;
    alone: string | null;
  }

  /** What a gesture under way shows before the server knows it. */
  interface Patch {
    power_stops?: Record<string, number>;
    muted?: Record<string, boolean>;
    place?: Record<string, Partial<Item>>;
  }

  interface Snapshot extends Heard {
    view: RoomState | null;
    link: "connecting" | "open" | "closed";
    ready: boolean;
    left: boolean;
    notice: { text: string; level: string; at: number } | null;
    selection: string | null;
    solo: string[];
    held: Record<string, Patch>;
    look: Look;
    compare: { id: number | null; wipe: number | null };
    pointed: string | null;
    table: protocol.Table;
    views: { full: boolean; bare: boolean; large: boolean; shown: number };
  }

  interface Store {
    get(): Snapshot;
    update(news: Partial<Snapshot>): void;
    listen(call: (snapshot: Snapshot, changed: Set<string>) => void, keys?: (keyof Snapshot)[] | null): () => void;
    subscribe(call: (snapshot: Snapshot, changed: Set<string>) => void, keys?: (keyof Snapshot)[] | null): () => void;
    receive(message: RoomMessage): void;
    say(text: string, level?: string): void;
    select(id: string | null): void;
    hold(key: string, patch: Patch): void;
    release(key: string): void;
    heldOf<K extends keyof Patch>(kind: K): NonNullable<Patch[K]>;
    light(name: string | null): LightView | null;
    powerStops(name: string): number;
    gestureStops(name: string): number;
    isMuted(name: string): boolean;
    isHeard(name: string): boolean;
    toggleSolo(name: string): void;
    calm(call: (snapshot: Snapshot) => void): () => void;
  }

  /** A request without its number, fields by type. */
  type RequestType = RoomRequest["type"];
  type Fields<T extends RequestType> = Omit<Extract<RoomRequest, { type: T }>, "type" | "id">;
  /** With its parts as one line. */
  type Refusal = protocol.Refused & { text: string };
  type Answer = protocol.Done | Refusal | protocol.Targets | { type: "late"; id: number };

  interface Gesture {
    key: string;
    readonly over: boolean;
    push(edits: Edit[], patch?: Patch | null): void;
    end(edits?: Edit[] | null, patch?: Patch | null): Promise<number>;
    cancel(): Promise<void>;
  }

  interface Link {
    ask<T extends RequestType>(type: T, fields?: Fields<T>, options?: { quiet?: boolean }): Promise<Answer>;
    edit(edits: Edit[], merge?: string | null, options?: { quiet?: boolean }): Promise<Answer>;
    gesture(name: string): Gesture;
    drawn(serial: number): void;
  }

  /** What the parts of the page share: each part adds what others may call. */
  interface Room {
    store: Store;
    link: Link;
    pictureDesk?: ReturnType<typeof import("../../sim/room/page/picture/picture_desk.js").createDesk>;
    library?: {
      open(name?: string | null): void;
      rename(name: string): Promise<void>;
      copy(name: string): Promise<void>;
      remove(name: string): Promise<void>;
      blockOfKind(kind: string): Record<string, any> | null;
    };
    files?: { save(force?: boolean): Promise<void>; saveAs(label?: string): Promise<void> };
    tour?: { start(): void };
    keys?: { open(): void };
    table?: { foldAll(): void };
    views?: { calls: Record<string, () => void>; escape(): boolean };
    set?: { fit(): void; zoomBy(factor: number): void; focus(id: string): void };
    overwrite?: boolean;
  }

  type RoomBox = protocol.RoomView;
  type Point = [number, number, number];
  type ItemKind = "light" | "panel" | "camera" | "sitter" | "backdrop" | "ground" | "meter";

  interface ParentNode {
    querySelector(selectors: string): HTMLElement | null;
  }
  interface EventTarget {
    closest?(selectors: string): HTMLElement | null;
    dataset?: DOMStringMap;
    value?: any;
  }
  interface HTMLElement {
    /** For tests: the colour that is shown, and the reading there. */
    pixel?(x: number, y: number): number[];
    spot?(x: number, y: number, deg: number): object | null;
  }

  /** A thing on the set as it is shown now. */
  interface Item {
    id: string;
    kind: ItemKind;
    what: any;
    name: string;
    number: number;
    position_m: number[];
    aim_m: number[] | null;
    aim_part?: string;
    turn_deg: number;
    head_turn_deg: number;
    fixed: boolean;
    moving: boolean;
    words: string;
    data: any;
  }
}
