/**
 * A camera on loopback that libgphoto2 takes for a real one. It speaks ISO 15740 over PTP/IP and, for live view
 * and capture, one of two vendor extensions: `gphoto2 --port ptpip:127.0.0.1:P:P --camera "PTP/IP Camera" …` works
 * on it. Pictures come from functions the caller gives; faults are injected per operation.
 */
import { type Body, type CameraState, type Dialect, sensor } from './dialect.ts';
import { LensMotor } from './lens.ts';
import { Op, objectInfo, type Property, propDesc, Rc, readValue, type StoredObject, Writer } from './ptp.ts';
import { ok, PtpIpServer, PtpUsbServer, type Reply, type Request } from './transport.ts';
import { Vendor0A } from './vendor-0a.ts';
import { OpB, Vendor0B } from './vendor-0b.ts';

export type { CameraState } from './dialect.ts';

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

/** The vendor extensions it speaks. */
export const dialects = { '0x0A': Vendor0A, '0x0B': Vendor0B } as const;
export type DialectName = keyof typeof dialects;

export class VirtualCamera {
  /** Live-view pictures handed out, the one after each start that a host throws away not counted. */
  framesServed = 0;
  /** Requests seen, by operation. */
  readonly requests = new Map<number, number>();
  readonly state: CameraState;
  readonly dialect: Dialect;

  readonly #serialNumber: string;
  readonly #pictures: Pictures;
  readonly #server = new PtpIpServer('Night Ring Test Camera', (request) => this.#perform(request));
  readonly #usb = new PtpUsbServer([Op.setPropValue, OpB.setPropValue], (request) => this.#perform(request));
  readonly #objects = new Map<number, StoredObject>();
  #faults: Injected[] = [];
  #nextPicture = firstPicture;

  private constructor(pictures: Pictures, dialect: DialectName, lens: LensMotor, serialNumber: string) {
    this.#pictures = pictures;
    this.#serialNumber = serialNumber;
    this.state = {
      magnification: 1,
      get focusSteps() {
        return lens.lensSteps;
      },
      area: { x: sensor.widthPx / 2, y: sensor.heightPx / 2 },
    };
    const body: Body = {
      lens,
      state: this.state,
      nextFrame: async (thrownAway) => pictures.frame(thrownAway ? this.framesServed : this.framesServed++, this.state),
      takePicture: (toMemory) => this.#takePicture(toMemory),
    };
    this.dialect = new dialects[dialect](body);
    this.#objects.set(folderHandle, { name: 'DCIM', parent: 0, storage, bytes: null });
    this.#objects.set(subfolderHandle, { name: '100NIGHT', parent: folderHandle, storage, bytes: null });
  }

  static async start(
    pictures: Pictures,
    { dialect = '0x0A' as DialectName, lens = new LensMotor(), serialNumber = '0001' } = {},
  ): Promise<VirtualCamera> {
    const camera = new VirtualCamera(pictures, dialect, lens, serialNumber);
    await camera.plugIn();
    return camera;
  }

  /** The port's name for libgphoto2. */
  get port(): string {
    return `ptpip:127.0.0.1:${this.#server.port}:${this.#server.port}`;
  }

  /** The state of a virtual USB bus with this camera on it. */
  onUsb(number = 4): `connected ${number} ${number}` {
    return `connected ${this.#usb.port} ${number}`;
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
    await this.stop();
    this.dialect.ended();
  }

  /** Cable in again, at the same port. */
  async plugIn(): Promise<void> {
    await Promise.all([this.#server.listen(), this.#usb.listen()]);
  }

  async stop(): Promise<void> {
    await Promise.all([this.#server.stop(), this.#usb.stop()]);
  }

  property(code: number): Property | undefined {
    return this.dialect.properties.find((property) => property.code === code);
  }

  /** Sets a property from the camera's side (a dial turned, a battery run down). */
  turn(code: number, value: number | string): void {
    const property = this.property(code);
    if (!property) throw new Error(`the virtual camera has no property 0x${code.toString(16)}`);
    property.value = value;
    this.dialect.changed(property);
  }

  /** Somebody presses the shutter button. */
  async pressShutter(): Promise<void> {
    await this.dialect.pressShutter();
  }

  /** Pictures on the card. */
  get cardNames(): string[] {
    return [...this.#objects.values()].filter(({ bytes, storage: where }) => bytes && where).map(({ name }) => name);
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
    const reply = (await this.dialect.perform(request)) ?? this.#do(request);
    if (fault?.kind === 'data') return { ...reply, data: fault.bytes };
    if (fault?.kind === 'drop') return { ...reply, dropAfterBytes: fault.afterBytes };
    return reply;
  }

  #do({ operation, parameters, data }: Request): Reply {
    const [first = 0, second = 0, third = 0] = parameters;
    switch (operation) {
      case Op.getDeviceInfo:
        return ok(this.#deviceInfo());
      case Op.openSession:
        return ok();
      case Op.closeSession:
        this.dialect.ended();
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
      case Op.getPartialObject: {
        const part = this.#objects.get(first)?.bytes?.subarray(second, second + third);
        return part ? { ...ok(part), parameters: [part.length] } : { code: Rc.invalidObject };
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
      default:
        return { code: Rc.operationNotSupported };
    }
  }

  #deviceInfo(): Buffer {
    const writer = new Writer().u16(100); // version 1.00
    writer.u32(this.dialect.vendor).u16(100).string('').u16(0); // vendor extension; standard mode
    writer.array16([...Object.values(Op), ...this.dialect.operations]);
    writer.array16(this.dialect.events);
    writer.array16(this.dialect.standardCodes);
    writer.array16([0x3801]).array16([0x3801, 0x3001]); // makes JPEG; holds JPEG and folders
    return writer.string('Nightring').string('Night Ring Test Camera').string('1.0').string(this.#serialNumber).done();
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
    this.dialect.changed(property);
    return Rc.ok;
  }

  async #takePicture(toMemory: boolean) {
    const { frame, still } = this.#pictures;
    const bytes = await (still ? still(this.state) : frame(this.framesServed, this.state));
    const handle = toMemory ? inMemory : this.#nextPicture++;
    const name = `DSC_${String(toMemory ? 0 : handle - firstPicture + 1).padStart(4, '0')}.JPG`;
    const object = toMemory
      ? { name, parent: 0, storage: 0, bytes }
      : { name, parent: subfolderHandle, storage, bytes };
    this.#objects.set(handle, object);
    return { handle, object };
  }
}

function storageInfo(): Buffer {
  const writer = new Writer().u16(4).u16(3).u16(0); // removable RAM, DCF layout, read-write
  return writer.u64(32e9).u64(16e9).u32(1000).string('card').string('').done();
}
