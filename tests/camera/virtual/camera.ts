/**
 * A camera on loopback that libgphoto2 takes for a real one. It speaks ISO 15740 over PTP/IP and, for live view
 * and capture, vendor extension 0x0A: `gphoto2 --port ptpip:127.0.0.1:P:P --camera "PTP/IP Camera" …` works on it.
 * Pictures come from functions the caller gives; faults are injected per operation.
 */
import { Event, Op, objectInfo, type Property, propDesc, Rc, readValue, type StoredObject, Writer } from './ptp.ts';
import { PtpIpServer, type Reply, type Request } from './transport.ts';

/** What the camera is set to, for whoever makes its pictures. */
export interface CameraState {
  /** Value of the live-view magnification property: 0 whole field, 1 25 %, 3 50 %, 5 100 % (one sensor pixel each). */
  magnification: number;
  /** Focus motor's steps from where it was at the start; positive with direction 2. */
  focusSteps: number;
  /** Centre of the focus area, sensor pixels. */
  area: { x: number; y: number };
}

export interface Pictures {
  /** JPEG of live-view picture `index` (0, 1, 2, …), at once or at the camera's own pace. */
  frame(index: number, state: CameraState): Uint8Array | Promise<Uint8Array>;
  /** JPEG of a photograph. */
  still?(state: CameraState): Uint8Array | Promise<Uint8Array>;
}

/** What goes wrong when the operation is asked for. */
export type Fault =
  /** Answers with this response code instead of doing it. */
  | { kind: 'respond'; code: number }
  /** Does it, but not before the promise is fulfilled. */
  | { kind: 'stall'; until: Promise<unknown> }
  /** Sends these bytes instead of the right data. */
  | { kind: 'data'; bytes: Uint8Array }
  /** Cable out after so many bytes of data. */
  | { kind: 'drop'; afterBytes: number };

interface Injected {
  operation: number;
  fault: Fault;
  /** How many requests are let through first. */
  skip: number;
  /** How many are then hit. */
  times: number;
}

const storage = 0x00010001;
const inMemory = 0xffff0001;
const [folderHandle, subfolderHandle, firstPicture] = [1, 2, 0x100];
const focusLimitSteps = 20000;
const magnificationCode = 0xd1a3;

/** Property codes 0x50xx are standard; ISO 15740 gives the units: f-number ×100, focal length mm ×100, 0.1 ms. */
const standardProperties = (): Property[] => [
  { code: 0x5001, type: 'u8', value: 80, writable: false, range: [0, 100, 1] }, // battery, %
  { code: 0x5007, type: 'u16', value: 280, writable: true, choices: [280, 400, 560, 800] }, // f-number
  { code: 0x5008, type: 'u32', value: 2400, writable: false, range: [1400, 5000, 100] }, // focal length
  { code: 0x500a, type: 'u16', value: 1, writable: true, choices: [1, 0x8010, 0x8011] }, // focus mode, 1 manual
  { code: 0x500d, type: 'u32', value: 10000, writable: true, choices: [333, 2500, 10000, 40000, 150000] }, // exposure
  { code: 0x500e, type: 'u16', value: 1, writable: false, choices: [1, 2, 3, 4] }, // exposure programme, 1 manual
  { code: 0x500f, type: 'u16', value: 1600, writable: true, choices: [100, 400, 1600, 3200, 6400] }, // ISO
  { code: 0x5010, type: 'i16', value: 0, writable: true, choices: [-1000, 0, 1000] }, // exposure bias, 1/1000
  { code: 0x5011, type: 'string', value: '20260101T220000', writable: true }, // clock
];

const vendorProperties = (): Property[] => [
  { code: 0xd1a2, type: 'u8', value: 0, writable: false, range: [0, 1, 1] }, // live view is on
  { code: magnificationCode, type: 'u8', value: 0, writable: true, choices: [0, 1, 3, 5] },
  { code: 0xd1a4, type: 'u32', value: 0, writable: false }, // why live view may not start, one bit each
];

export class VirtualCamera {
  /** Live-view pictures handed out, the one after each start that a host throws away not counted. */
  framesServed = 0;
  /** Requests seen, by operation. */
  readonly requests = new Map<number, number>();
  readonly state: CameraState = { magnification: 0, focusSteps: 0, area: { x: 0, y: 0 } };

  readonly #pictures: Pictures;
  readonly #server = new PtpIpServer('Night Ring Test Camera', (request) => this.#perform(request));
  readonly #standard = standardProperties();
  readonly #vendor = vendorProperties();
  readonly #objects = new Map<number, StoredObject>();
  readonly #events: [code: number, parameter: number][] = [];
  #faults: Injected[] = [];
  #nextPicture = firstPicture;
  #justStarted = false;
  #busyPolls = 0;

  private constructor(pictures: Pictures) {
    this.#pictures = pictures;
    this.#objects.set(folderHandle, { name: 'DCIM', parent: 0, storage, bytes: null });
    this.#objects.set(subfolderHandle, { name: '100NIGHT', parent: folderHandle, storage, bytes: null });
  }

  static async start(pictures: Pictures): Promise<VirtualCamera> {
    const camera = new VirtualCamera(pictures);
    await camera.#server.listen();
    return camera;
  }

  /** The port's name for libgphoto2. */
  get port(): string {
    return `ptpip:127.0.0.1:${this.#server.port}:${this.#server.port}`;
  }

  /** Adds a fault; faults of one operation take turns in the order they were injected. */
  inject(operation: number, fault: Fault, { skip = 0, times = 1 } = {}): void {
    this.#faults.push({ operation, fault, skip, times });
  }

  clearFaults(): void {
    this.#faults = [];
  }

  /** Another program holds the camera (or, with false, no longer does). */
  takenByAnother(taken: boolean): void {
    this.#server.refuse = taken;
  }

  /** Cable out: connections break and new ones fail until plugIn(). */
  async unplug(): Promise<void> {
    await this.#server.stop();
  }

  /** Cable in again, at the same port. */
  async plugIn(): Promise<void> {
    this.#set(0xd1a2, 0);
    await this.#server.listen();
  }

  async stop(): Promise<void> {
    await this.#server.stop();
  }

  property(code: number): Property | undefined {
    return [...this.#standard, ...this.#vendor].find((property) => property.code === code);
  }

  /** Sets a property from the camera's side (a dial turned, a battery run down). */
  turn(code: number, value: number | string): void {
    this.#set(code, value);
  }

  /** Somebody presses the shutter button: a picture goes to the card. */
  async pressShutter(): Promise<void> {
    await this.#capture(false);
  }

  /** Pictures on the card. */
  get cardNames(): string[] {
    return [...this.#objects.values()].filter(({ bytes, storage: where }) => bytes && where).map(({ name }) => name);
  }

  #set(code: number, value: number | string): void {
    const property = this.property(code);
    if (!property) throw new Error(`the virtual camera has no property 0x${code.toString(16)}`);
    property.value = value;
  }

  #nextFault(operation: number): Fault | undefined {
    const injected = this.#faults.find((one) => one.operation === operation && one.times > 0);
    if (!injected) return undefined;
    if (injected.skip > 0) {
      injected.skip--;
      return undefined;
    }
    injected.times--;
    return injected.fault;
  }

  async #perform(request: Request): Promise<Reply> {
    this.requests.set(request.operation, (this.requests.get(request.operation) ?? 0) + 1);
    const fault = this.#nextFault(request.operation);
    if (fault?.kind === 'respond') return { code: fault.code };
    if (fault?.kind === 'stall') await fault.until;
    const reply = await this.#do(request);
    if (fault?.kind === 'data') return { ...reply, data: fault.bytes };
    if (fault?.kind === 'drop') return { ...reply, dropAfterBytes: fault.afterBytes };
    return reply;
  }

  async #do({ operation, parameters, data }: Request): Promise<Reply> {
    const [first = 0, second = 0, third = 0] = parameters;
    switch (operation) {
      case Op.getDeviceInfo:
        return ok(this.#deviceInfo());
      case Op.openSession:
      case Op.closeSession:
        return ok();
      case Op.getStorageIds:
        return ok(new Writer().array32([storage]).done());
      case Op.getStorageInfo:
        return first === storage ? ok(storageInfo()) : { code: Rc.invalidStorage };
      case Op.getNumObjects:
        return { code: Rc.ok, parameters: [this.#handles(third).length] };
      case Op.getObjectHandles:
        return ok(new Writer().array32(this.#handles(third)).done());
      case Op.getObjectInfo: {
        const object = this.#objects.get(first);
        return object ? ok(objectInfo(object)) : { code: Rc.invalidObject };
      }
      case Op.getObject: {
        const object = this.#objects.get(first);
        return object?.bytes ? ok(object.bytes) : { code: Rc.invalidObject };
      }
      case Op.deleteObject:
        return { code: this.#objects.delete(first) ? Rc.ok : Rc.invalidObject };
      case Op.getPropDesc: {
        const property = this.property(first);
        return property ? ok(propDesc(property)) : { code: Rc.propNotSupported };
      }
      case Op.getPropValue: {
        const property = this.property(first);
        return property ? ok(new Writer().value(property.type, property.value).done()) : { code: Rc.propNotSupported };
      }
      case Op.setPropValue:
        return { code: this.#setProperty(first, data) };
      case Op.getVendorPropCodes:
        return ok(new Writer().array16(this.#vendor.map(({ code }) => code)).done());
      case Op.getEvents: {
        const writer = new Writer().u16(this.#events.length);
        for (const [code, parameter] of this.#events.splice(0)) writer.u16(code).u32(parameter);
        return ok(writer.done());
      }
      case Op.deviceReady:
        return { code: this.#busyPolls-- > 0 ? Rc.deviceBusy : Rc.ok };
      case Op.startLiveView:
        this.#set(0xd1a2, 1);
        this.#justStarted = true;
        this.#busyPolls = 1; // the mirror takes a moment
        return ok();
      case Op.endLiveView:
        this.#set(0xd1a2, 0);
        return ok();
      case Op.getLiveViewImage:
        return this.property(0xd1a2)?.value ? ok(await this.#liveViewImage()) : { code: Rc.notLiveView };
      case Op.driveFocus:
        return { code: this.#driveFocus(first === 2 ? second : -second) };
      case Op.changeArea:
        if (!this.property(0xd1a2)?.value) return { code: Rc.notLiveView };
        this.state.area = { x: first, y: second };
        return ok();
      case Op.captureToMedia:
        await this.#capture(second === 1);
        return ok();
      default:
        return { code: Rc.operationNotSupported };
    }
  }

  #deviceInfo(): Buffer {
    const writer = new Writer().u16(100); // version 1.00
    writer.u32(0x0a).u16(100).string('').u16(0); // vendor extension; standard mode
    writer.array16(Object.values(Op));
    writer.array16(Object.values(Event));
    writer.array16(this.#standard.map(({ code }) => code));
    writer.array16([0x3801]).array16([0x3801, 0x3001]); // makes JPEG; holds JPEG and folders
    return writer.string('Nightring').string('Night Ring Test Camera').string('1.0').string('0001').done();
  }

  #handles(parent: number): number[] {
    return [...this.#objects]
      .filter(([, object]) => object.storage !== 0)
      .filter(([, object]) => parent === 0 || object.parent === (parent === 0xffffffff ? 0 : parent))
      .map(([handle]) => handle);
  }

  #setProperty(code: number, data: Buffer): number {
    const property = this.property(code);
    if (!property) return Rc.propNotSupported;
    if (!property.writable) return Rc.accessDenied;
    const value = readValue(property.type, data);
    if (value === null || (property.choices && !property.choices.includes(value))) return Rc.invalidPropValue;
    property.value = value;
    if (code === magnificationCode) this.state.magnification = Number(value);
    return Rc.ok;
  }

  /** A picture as the extension sends it: a header that says nothing a host reads, then the JPEG. */
  async #liveViewImage(): Promise<Buffer> {
    const index = this.#justStarted ? this.framesServed : this.framesServed++;
    this.#justStarted = false;
    return Buffer.concat([Buffer.alloc(384), await this.#pictures.frame(index, this.state)]);
  }

  #driveFocus(steps: number): number {
    if (!this.property(0xd1a2)?.value) return Rc.notLiveView;
    const wanted = this.state.focusSteps + steps;
    this.state.focusSteps = Math.max(-focusLimitSteps, Math.min(focusLimitSteps, wanted));
    return wanted === this.state.focusSteps ? Rc.ok : Rc.focusAtEnd;
  }

  async #capture(toMemory: boolean): Promise<void> {
    const { frame, still } = this.#pictures;
    const bytes = await (still ? still(this.state) : frame(this.framesServed, this.state));
    this.#busyPolls = 2; // exposing
    if (toMemory) {
      this.#objects.set(inMemory, { name: 'DSC_0000.JPG', parent: 0, storage: 0, bytes });
      this.#events.push([Event.addedInMemory, inMemory]);
    } else {
      const handle = this.#nextPicture++;
      const name = `DSC_${String(handle - firstPicture + 1).padStart(4, '0')}.JPG`;
      this.#objects.set(handle, { name, parent: subfolderHandle, storage, bytes });
      this.#events.push([Event.objectAdded, handle]);
    }
    this.#events.push([Event.captureComplete, 0]);
  }
}

function ok(data?: Uint8Array): Reply {
  return { code: Rc.ok, data };
}

function storageInfo(): Buffer {
  const writer = new Writer().u16(4).u16(3).u16(0); // removable RAM, DCF layout, read-write
  return writer.u64(32e9).u64(16e9).u32(1000).string('card').string('').done();
}
