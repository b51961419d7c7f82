// How is the RP2040 run, and what does rp2040js leave out? One start of the chip; a reset makes a new one.
import { RP2040 } from 'rp2040js';

const FLASH = 0x10000000;
export const FLASH_BYTES = 2 << 20;
const UART_BYTES = 32; // each way: RP2040 data sheet 4.2
const SERIAL = [0xe6, 0x61, 0x64, 0x08, 0x43, 0x1c, 0x2b, 0x29]; // the simulated flash chip's number
const RESET_I2C0 = 1 << 3;
const PIN = { sda: 4, scl: 5, loadSwitch: 3 };
const HIGH = 1, LOW = 0, INPUT_PULL_UP = 3; // rp2040js' states of a pin
// Of the flash chips that the boards carry (usual data sheet: 45 ms and 0.4 ms typical).
const ERASE_NS = 45e6, PROGRAM_NS = 0.4e6;

/** A peripheral of 32-bit registers behind two functions. */
class Registers {
  constructor(read, write) {
    this.readUint32 = read;
    this.write = write;
  }
  writeUint32(offset, value) {
    this.write(offset, value);
  }
  writeUint32Atomic(offset, value) {
    this.write(offset & 0xfff, value);
  }
}

export class Chip {
  /**
   * @param bench {flash, cause, scratch, switchFitted, parts, event, base}: what outlives a start.
   *   base: the bench's cycle (1/16 us) at which this start begins.
   */
  constructor(bench) {
    this.bench = bench;
    this.mcu = new RP2040();
    this.mcu.logger = { debug() {}, info() {}, warn: (name, text) => this.#complain(name, text), error: (name, text) => this.#complain(name, text) };
    this.restart = null; // the cause of the next start, once it is due
    this.stalled = false;
    this.fault = null; // {kind, clocks} while a device holds the I2C bus
    this.held = null; // what the bus would do next
    this.rx = [];
    this.rxNext = 0;
    this.rxOverruns = 0;
    this.tx = []; // {byte, end}: on the wire until end
    this.txEnd = 0;
    this.#memory();
    this.#restarts();
    this.#uart();
    this.#i2c();
    this.#pins();
  }

  get nanos() {
    return this.mcu.clock.nanos;
  }

  /** The bench's time in cycles of 1/16 us. */
  get cycle() {
    return this.bench.base + Math.floor((this.nanos * 16) / 1000);
  }

  /** Runs until the chip's clock has come to `nanos`, or a restart is due. */
  run(nanos) {
    const { mcu } = this;
    const { core, clock } = mcu;
    while (clock.nanos < nanos && !this.restart) {
      if (this.stalled) clock.tick(Math.min(1e6, nanos - clock.nanos));
      else clock.tick((core.executeInstruction() * 1e9) / mcu.clkSys);
    }
    this.#host();
  }

  receive(byte) {
    this.rx.push(byte);
  }

  busFault(kind, clocks) {
    this.fault = kind === 'free' ? null : { kind, clocks };
    this.bench.event(`bus ${kind}`);
    if (!this.fault) this.#letGo();
  }

  #complain(name, text) {
    this.bench.event(`${name}: ${text}`);
  }

  // ---- memory ---------------------------------------------------------------

  #memory() {
    const { mcu, bench } = this;
    const vectors = new DataView(bench.flash.buffer);
    mcu.loadBootrom(new Uint32Array([vectors.getUint32(0, true), vectors.getUint32(4, true)]));
    mcu.flash.set(bench.flash);
    mcu.core.VTOR = FLASH;
    const given = {};
    const registers = new Registers(
      (offset) => (offset >= 0x10 && offset < 0x18 ? this.#serial(offset - 0x10) : 0),
      (offset, value) => {
        given[offset] = value >>> 0;
        if (offset === 12) this.#flash(value, given[0], given[4], given[8]);
      },
    );
    mcu.peripherals[0x40068] = registers;
  }

  #serial(at) {
    return SERIAL[at] | (SERIAL[at + 1] << 8) | (SERIAL[at + 2] << 16) | (SERIAL[at + 3] << 24);
  }

  /** NOR flash: erasing makes ones, programming only zeros. The chip does nothing else meanwhile; a restart cuts it short. */
  #flash(what, offset, source, count) {
    const { mcu, bench } = this;
    const needs = what === 1 ? ERASE_NS : PROGRAM_NS;
    const gets = Math.min(needs, ((bench.nextRestart() - this.cycle) * 1000) / 16);
    const whole = Math.floor((count * gets) / needs);
    for (let at = 0; at < whole; at++) {
      const place = offset + at;
      if (what === 1) bench.flash[place] = 0xff;
      else bench.flash[place] &= mcu.readUint8(source + at);
      if (bench.worn.has(place)) bench.flash[place] = 0;
    }
    mcu.flash.set(bench.flash.subarray(offset, offset + whole), offset);
    bench.event(`flash ${what === 1 ? 'erase' : 'program'}${whole < count ? ' cut short' : ''}`);
    mcu.clock.tick(gets);
  }

  // ---- restarts -------------------------------------------------------------

  #restarts() {
    const { mcu, bench } = this;
    const flags = bench.cause === 'external' ? 1 << 16 : bench.cause === 'watchdog' ? bench.chipReset : 1 << 8;
    bench.chipReset = flags;
    mcu.peripherals[0x40064] = new Registers((offset) => (offset === 8 ? flags : 0), () => {});
    const watchdog = mcu.peripherals[0x40058];
    watchdog.reason = bench.cause === 'watchdog' ? 1 : 0;
    if (bench.cause === 'watchdog') watchdog.scratchData.set(bench.scratch);
    watchdog.onWatchdogTrigger = () => {
      watchdog.alarm.enable = false; // else it fires without end: the counter stays at 0
      bench.scratch = Uint32Array.from(watchdog.scratchData);
      this.restart = 'watchdog';
    };
    bench.event(`boot ${bench.cause}`);
  }

  // ---- UART0 ----------------------------------------------------------------

  /** rp2040js sends at once and is never full: bytes take their time here, and 32 wait. */
  #uart() {
    const uart = this.mcu.uart[0];
    const read = uart.readUint32.bind(uart);
    uart.readUint32 = (offset) => {
      if (offset !== 0x18) return read(offset);
      this.#sent();
      return (read(offset) & ~(1 << 7)) | (this.tx.length > UART_BYTES || this.bench.hostSilent ? 1 << 5 : 0) | (this.tx.length ? 0 : 1 << 7);
    };
    uart.onByte = (byte) => {
      this.txEnd = Math.max(this.nanos, this.txEnd) + this.#byteNanos();
      this.tx.push({ byte, end: this.txEnd });
      this.bench.handed(byte, this.cycle / 16);
    };
  }

  #byteNanos() {
    return 1e10 / this.mcu.uart[0].baudRate;
  }

  #sent() {
    while (this.tx.length && this.tx[0].end <= this.nanos) this.bench.sent(this.tx.shift().byte);
  }

  /** Bytes that have arrived at either end. */
  #host() {
    const uart = this.mcu.uart[0];
    this.#sent();
    while (this.rx.length && uart.enabled && Math.max(this.rxNext, 0) + this.#byteNanos() <= this.nanos) {
      this.rxNext = Math.max(this.rxNext + this.#byteNanos(), this.nanos - 100e3);
      const byte = this.rx.shift();
      if (uart.rxFIFO.full) {
        this.rxOverruns++;
        this.bench.event('overrun');
      } else uart.feedByte(byte);
    }
  }

  // ---- I2C0 -----------------------------------------------------------------

  /** rp2040js takes no time for the bus: here each bit takes what the registers say. */
  #i2c() {
    const { mcu, bench } = this;
    const { parts } = bench;
    const i2c = mcu.i2c[0];
    let next = null;
    const alarm = mcu.clock.createAlarm(() => {
      const step = next;
      next = null;
      step();
    });
    this.after = (bits, step) => {
      if (this.fault) {
        this.held = () => this.after(bits, step);
        return;
      }
      // Data sheet 4.3.14: so many clocks high and low, and some until the edge is seen.
      const bit = ((i2c.sclHighPeriod + i2c.sclLowPeriod + i2c.spikelen + 8) * 1e9) / mcu.clkSys;
      next = step;
      alarm.schedule(bits * bit);
    };
    i2c.onStart = (repeated) => this.after(repeated ? 1.5 : 1, () => i2c.completeStart());
    i2c.onConnect = (address, mode) =>
      this.after(9, () => i2c.completeConnect(!!parts.i2cStart(this.cycle, (address << 1) | mode)));
    i2c.onWriteByte = (value) => this.after(9, () => i2c.completeWrite(!!parts.i2cWrite(this.cycle, value)));
    i2c.onReadByte = () => {
      const value = parts.i2cRead(this.cycle); // the register as it is when its first bit goes out
      this.after(9, () => i2c.completeRead(value));
    };
    i2c.onStop = () =>
      this.after(2, () => {
        parts.i2cStop();
        i2c.completeStop();
      });
    const resets = mcu.peripherals[0x4000c];
    const write = resets.writeUint32.bind(resets);
    resets.writeUint32 = (offset, value) => {
      write(offset, value);
      if (offset !== 0 || !(value & RESET_I2C0)) return;
      alarm.cancel();
      this.held = null;
      Object.assign(i2c, { state: 0, busy: false, stop: false, pendingRestart: false, enable: 0, abortSource: 0 });
      i2c.intRaw = 1 << 4;
      i2c.txFIFO.reset();
      i2c.rxFIFO.reset();
      parts.i2cStop();
    };
  }

  #letGo() {
    const held = this.held;
    this.held = null;
    if (held) held();
  }

  // ---- pins -----------------------------------------------------------------

  #pins() {
    const { mcu, bench } = this;
    for (const pin of [PIN.sda, PIN.scl]) mcu.gpio[pin].setInputValue(true);
    // A device that holds the data line lets go after so many clocks.
    mcu.gpio[PIN.scl].addListener((state, before) => {
      if (before !== LOW || state !== INPUT_PULL_UP || this.fault?.kind !== 'sda-low') return;
      if (this.fault.clocks && --this.fault.clocks === 0) this.busFault('free');
    });
    const gate = mcu.gpio[PIN.loadSwitch];
    gate.setInputValue(!bench.switchFitted); // 10 kOhm to ground against the chip's pull-up
    gate.addListener((state) => this.#gate(state === HIGH));
    if (bench.switchFitted) this.#gate(false);
  }

  #gate(high) {
    if (!this.bench.switchFitted || this.bench.gate === high) return;
    this.bench.gate = high;
    this.bench.event(`switch ${high ? 'closed' : 'open'}`);
    this.bench.parts.loadSwitch(this.cycle, high ? 1 : 0);
  }
}
