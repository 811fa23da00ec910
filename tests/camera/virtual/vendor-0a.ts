/**
 * Vendor extension 0x0A as libgphoto2's camlibs/ptp2 expects it: live view started and ended by operations,
 * magnification as a list of ratios, focus drive in signed steps, events and readiness polled.
 */
import type { Body, Dialect } from './dialect.ts';
import { type Property, Rc, Writer } from './ptp.ts';
import { ok, type Reply, type Request } from './transport.ts';

export const OpA = {
  getEvents: 0x90c7,
  deviceReady: 0x90c8,
  getVendorPropCodes: 0x90ca,
  startLiveView: 0x9201,
  endLiveView: 0x9202,
  getLiveViewImage: 0x9203,
  driveFocus: 0x9204,
  changeArea: 0x9205,
  captureToMedia: 0x9207,
} as const;

export const RcA = { notLiveView: 0xa00b, focusAtEnd: 0xa00c } as const;

const Event = { objectAdded: 0x4002, captureComplete: 0x400d, addedInMemory: 0xc101 } as const;

export const PropA = { liveViewStatus: 0xd1a2, magnification: 0xd1a3, prohibitCondition: 0xd1a4 } as const;

/** Whole field, 25 %, 50 %, 100 %: pixels of the picture to pixels of the sensor, 1024 showing all 6144. */
const magnifications = new Map([
  [0, 1],
  [1, 1.5],
  [3, 3],
  [5, 6],
]);

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
  { code: PropA.liveViewStatus, type: 'u8', value: 0, writable: false, range: [0, 1, 1] },
  { code: PropA.magnification, type: 'u8', value: 0, writable: true, choices: [...magnifications.keys()] },
  { code: PropA.prohibitCondition, type: 'u32', value: 0, writable: false }, // why live view may not start, one bit each
];

export class Vendor0A implements Dialect {
  readonly vendor = 0x0a;
  readonly operations = Object.values(OpA);
  readonly events = Object.values(Event);
  readonly properties: Property[];
  readonly standardCodes: number[];
  readonly #body: Body;
  readonly #vendorCodes: number[];
  readonly #events: [code: number, parameter: number][] = [];
  #justStarted = false;
  #busyPolls = 0;
  /** The last drive ended early; told when the host asks whether it is done. */
  #atEnd = false;

  constructor(body: Body) {
    this.#body = body;
    const [standard, vendor] = [standardProperties(), vendorProperties()];
    this.properties = [...standard, ...vendor];
    this.standardCodes = standard.map(({ code }) => code);
    this.#vendorCodes = vendor.map(({ code }) => code);
  }

  get liveView(): boolean {
    return this.#status.value === 1;
  }

  get #status(): Property {
    return this.properties.find(({ code }) => code === PropA.liveViewStatus)!;
  }

  perform({ operation, parameters }: Request): Reply | Promise<Reply> | null {
    const [first = 0, second = 0] = parameters;
    switch (operation) {
      case OpA.getVendorPropCodes:
        return ok(new Writer().array16(this.#vendorCodes).done());
      case OpA.getEvents: {
        const writer = new Writer().u16(this.#events.length);
        for (const [code, parameter] of this.#events.splice(0)) writer.u16(code).u32(parameter);
        return ok(writer.done());
      }
      case OpA.deviceReady: {
        if (this.#busyPolls-- > 0) return { code: Rc.deviceBusy };
        const code = this.#atEnd ? RcA.focusAtEnd : Rc.ok;
        this.#atEnd = false;
        return { code };
      }
      case OpA.startLiveView:
        this.#status.value = 1;
        this.#justStarted = true;
        this.#busyPolls = 1; // the mirror takes a moment
        return ok();
      case OpA.endLiveView:
        this.ended();
        return ok();
      case OpA.getLiveViewImage:
        return this.liveView ? this.#image() : { code: RcA.notLiveView };
      case OpA.driveFocus:
        if (!this.liveView) return { code: RcA.notLiveView };
        this.#busyPolls = 1; // the motor turns
        this.#atEnd = !this.#body.lens.drive(first === 2 ? second : -second);
        return ok();
      case OpA.changeArea:
        if (!this.liveView) return { code: RcA.notLiveView };
        this.#body.state.area = { x: first, y: second };
        return ok();
      case OpA.captureToMedia:
        return this.#capture(second === 1).then(() => ok());
      default:
        return null;
    }
  }

  changed({ code, value }: Property): void {
    if (code === PropA.magnification) this.#body.state.magnification = magnifications.get(Number(value))!;
  }

  async pressShutter(): Promise<void> {
    await this.#capture(false);
  }

  ended(): void {
    this.#status.value = 0;
  }

  /** A header that says nothing a host reads, then the JPEG. The first after a start is not yet a good one. */
  async #image(): Promise<Reply> {
    const thrownAway = this.#justStarted;
    this.#justStarted = false;
    return ok(Buffer.concat([Buffer.alloc(384), await this.#body.nextFrame(thrownAway)]));
  }

  async #capture(toMemory: boolean): Promise<void> {
    const { handle } = await this.#body.takePicture(toMemory);
    this.#busyPolls = 2; // exposing
    this.#events.push([toMemory ? Event.addedInMemory : Event.objectAdded, handle], [Event.captureComplete, 0]);
  }
}
