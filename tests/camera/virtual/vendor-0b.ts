/**
 * Vendor extension 0x0B as libgphoto2's camlibs/ptp2 expects it: everything the camera has to say, its properties
 * too, comes as a list of polled events; live view is an output the picture is sent to and comes as a row of blobs;
 * magnification is a number and a corner, neither can be read back; focus is driven near or far in three sizes.
 */
import { type Body, type Dialect, sensor } from './dialect.ts';
import { type Property, Rc, readValue, Writer } from './ptp.ts';
import { ok, type Reply, type Request } from './transport.ts';

export const OpB = {
  getStorageIds: 0x9101,
  getStorageInfo: 0x9102,
  setPropValue: 0x9110,
  setRemoteMode: 0x9114,
  setEventMode: 0x9115,
  getEvents: 0x9116,
  transferComplete: 0x9117,
  tellFreeSpace: 0x911a,
  lockPanel: 0x911b,
  unlockPanel: 0x911c,
  keepOn: 0x911d,
  pressRelease: 0x9128,
  letGoRelease: 0x9129,
  startLiveView: 0x9151,
  endLiveView: 0x9152,
  getLiveViewImage: 0x9153,
  driveFocus: 0x9155,
  magnify: 0x9158,
  placeMagnified: 0x9159,
} as const;

export const RcB = {
  otherScreen: 0xa004,
  refused: 0xa005,
  lensCovered: 0xa006,
  lowBattery: 0xa101,
  notReady: 0xa102,
  exposing: 0xa200,
} as const;

const Event = {
  objectAdded: 0xc181,
  transferWanted: 0xc186,
  valueChanged: 0xc189,
  choicesChanged: 0xc18a,
  statusChanged: 0xc18b,
} as const;

export const PropB = {
  aperture: 0xd101,
  focusMode: 0xd108,
  battery: 0xd111,
  shotsLeft: 0xd11b,
  destination: 0xd11c,
  output: 0xd1b0,
  liveViewMode: 0xd1b1,
} as const;
const toHost = 4; // of `destination`; 2 is the card
const outputToHost = 2; // bit of `output`; 1 is the camera's own screen

/** Aperture, shutter, ISO in eighths of a stop, as the driver's tables list them (camlibs/ptp2/config.c). */
const properties = (): Property[] => [
  { code: PropB.aperture, type: 'u16', value: 0x20, writable: true, choices: [0x20, 0x28, 0x30, 0x38] }, // 2.8 … 8
  { code: 0xd102, type: 'u16', value: 0x38, writable: true, choices: [0x10, 0x18, 0x20, 0x28, 0x38, 0x60] }, // 30 s …
  { code: 0xd103, type: 'u16', value: 0x68, writable: true, choices: [0x48, 0x58, 0x68, 0x70, 0x78] }, // ISO 100 … 6400
  { code: 0xd104, type: 'u8', value: 0, writable: true, choices: [0xf8, 0, 8] }, // exposure compensation
  { code: 0xd105, type: 'u16', value: 3, writable: true }, // exposure mode, 3 manual
  { code: 0xd106, type: 'u16', value: 0, writable: true, choices: [0, 1, 0x10] }, // drive mode, 0 single
  { code: 0xd107, type: 'u8', value: 3, writable: true, choices: [1, 3, 4, 5] }, // metering
  { code: PropB.focusMode, type: 'u16', value: 3, writable: false }, // 3 manual: the lens's own switch
  { code: PropB.battery, type: 'u16', value: 4, writable: false }, // 75 %
  { code: 0xd113, type: 'u32', value: Date.UTC(2026, 0, 1, 22) / 1000, writable: true }, // clock
  { code: 0xd115, type: 'ascii', value: '', writable: true }, // owner
  { code: PropB.shotsLeft, type: 'u32', value: 1000, writable: false },
  { code: PropB.destination, type: 'u32', value: 2, writable: true, choices: [2, toHost] },
  { code: 0xd1af, type: 'ascii', value: '0001', writable: false }, // serial number
  { code: PropB.output, type: 'u16', value: 0, writable: true, choices: [0, 1, 2, 3] },
  { code: PropB.liveViewMode, type: 'u16', value: 0, writable: true, choices: [0, 1] },
  { code: 0xd1d8, type: 'ascii', value: 'Test Lens 14-50mm f/2.8', writable: false }, // lens name
];

/** Steps of the motor for "near" or "far" 1, 2, 3. */
export const driveSteps = [0, 4, 20, 100];
const far = 0x8000;
const allTheWay = 2; // 1 is half way, to focus

export class Vendor0B implements Dialect {
  readonly vendor = 0x0b;
  readonly operations = Object.values(OpB);
  readonly events = []; // none over the event connection
  readonly properties = properties();
  readonly standardCodes = [];
  readonly #body: Body;
  /** Bytes of events nobody has fetched; null as long as the host has not asked to be told. */
  #events: Buffer[] | null = null;
  /** Answers "not ready" so often after live view was switched on. */
  #notReady = 0;
  /** What does not let live view start, a response code. */
  refusesLiveView: number | null = null;

  constructor(body: Body) {
    this.#body = body;
  }

  get liveView(): boolean {
    return (Number(this.#property(PropB.output).value) & outputToHost) !== 0;
  }

  #property(code: number): Property {
    return this.properties.find((property) => property.code === code)!;
  }

  perform({ operation, parameters, data }: Request): Reply | Promise<Reply> | null {
    const [first = 0, second = 0] = parameters;
    switch (operation) {
      case OpB.getStorageIds:
        return ok(new Writer().array32([0x00010001]).done());
      case OpB.getStorageInfo:
        return ok(Buffer.alloc(64)); // hosts only fetch it
      case OpB.setPropValue:
        return { code: this.#setProperty(data) };
      case OpB.setRemoteMode:
        if (first === 0) this.#setLiveView(false);
        return ok();
      case OpB.setEventMode:
        this.#events = first === 0 ? null : this.#allProperties();
        return ok();
      case OpB.getEvents:
        return ok(Buffer.concat([...(this.#events?.splice(0) ?? []), event(0)]));
      case OpB.pressRelease:
        return first === allTheWay ? this.pressShutter().then(() => ok()) : ok();
      case OpB.startLiveView:
      case OpB.endLiveView:
        return { code: this.#setLiveView(operation === OpB.startLiveView) };
      case OpB.getLiveViewImage:
        if (!this.liveView) return { code: RcB.notReady };
        return this.#notReady-- > 0 ? { code: RcB.notReady } : this.#image();
      case OpB.driveFocus: {
        const steps = driveSteps[first & ~far] ?? 0;
        if (!this.liveView || steps === 0) return { code: RcB.refused };
        return { code: this.#body.lens.drive(first & far ? steps : -steps) ? Rc.ok : RcB.refused };
      }
      case OpB.magnify:
        if (!this.liveView || ![1, 5, 10].includes(first)) return { code: RcB.refused };
        this.#body.state.magnification = first;
        return ok();
      case OpB.placeMagnified: {
        if (!this.liveView) return { code: RcB.refused };
        const { magnification } = this.#body.state;
        this.#body.state.area = {
          x: first + sensor.widthPx / magnification / 2,
          y: second + sensor.heightPx / magnification / 2,
        };
        return ok();
      }
      case OpB.transferComplete:
      case OpB.tellFreeSpace:
      case OpB.lockPanel:
      case OpB.unlockPanel:
      case OpB.keepOn:
      case OpB.letGoRelease:
        return ok();
      default:
        return null;
    }
  }

  changed(property: Property): void {
    this.#events?.push(valueEvent(property));
  }

  async pressShutter(): Promise<void> {
    this.#tell(Event.statusChanged, new Writer().u32(1));
    const toMemory = this.#property(PropB.destination).value === toHost;
    const { handle, object } = await this.#body.takePicture(toMemory);
    const { name, parent, storage, bytes } = object;
    const told = new Writer().u32(handle);
    if (toMemory) told.u16(0x3801).u16(0).u32(0).u32(bytes.length).u32(0).ascii(name);
    else told.u32(storage).u16(0x3801).u16(0).u32(0).u32(0).u32(bytes.length).u32(parent).u32(0).ascii(name);
    this.#tell(toMemory ? Event.transferWanted : Event.objectAdded, told);
    this.#tell(Event.statusChanged, new Writer().u32(0));
  }

  ended(): void {
    this.#events = null;
    this.#setLiveView(false);
  }

  #tell(type: number, body: Writer): void {
    this.#events?.push(event(type, body.done()));
  }

  #allProperties(): Buffer[] {
    return this.properties.flatMap((property) => {
      const { code, type, choices } = property;
      if (!choices) return [valueEvent(property)];
      const list = new Writer().u32(code).u32(3).u32(choices.length);
      for (const choice of choices)
        list.value(type, choice).bytes(Buffer.alloc(type === 'u8' ? 3 : type === 'u16' ? 2 : 0));
      return [valueEvent(property), event(Event.choicesChanged, list.done())];
    });
  }

  /** Length, code, value. */
  #setProperty(data: Buffer): number {
    const property = data.length > 8 && this.#property(data.readUInt32LE(4));
    if (!property) return Rc.propNotSupported;
    if (!property.writable) return Rc.accessDenied;
    const value = readValue(property.type, data.subarray(8));
    if (value === null || (property.choices && !property.choices.includes(value))) return Rc.invalidPropValue;
    if (property.code === PropB.output) return this.#setLiveView((Number(value) & outputToHost) !== 0);
    property.value = value;
    this.changed(property);
    return Rc.ok;
  }

  #setLiveView(on: boolean): number {
    if (on && this.refusesLiveView) return this.refusesLiveView;
    if (on === this.liveView) return Rc.ok;
    const output = this.#property(PropB.output);
    output.value = on ? outputToHost : 0;
    this.#notReady = 2; // the mirror takes a moment
    this.#body.state.magnification = 1;
    this.changed(output);
    return Rc.ok;
  }

  /** Blobs of length, kind and content: where the focus frame is (which hosts skip), the JPEG, an end. */
  async #image(): Promise<Reply> {
    const jpeg = await this.#body.nextFrame();
    return ok(Buffer.concat([event(8, Buffer.alloc(16)), event(1, jpeg), event(0)]));
  }
}

/** Length, kind, content: the form of events and of live view's blobs. */
function event(kind: number, content: Uint8Array = Buffer.of()): Buffer {
  return new Writer()
    .u32(8 + content.length)
    .u32(kind)
    .bytes(content)
    .done();
}

function valueEvent({ code, type, value }: Property): Buffer {
  const content = new Writer().u32(code).value(type, value);
  if (type !== 'ascii') content.bytes(Buffer.alloc(4)); // at least four bytes, as cameras send them
  return event(Event.valueChanged, content.done());
}
