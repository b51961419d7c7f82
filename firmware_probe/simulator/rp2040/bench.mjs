// The sketch on a simulated RP2040, with the sensor, the circuit and the port of the other bench.
//
//   node bench.mjs FIRMWARE.bin SCRIPT OUT --parts PARTS.node [--port LINK] [--pace X] [--seconds S] [--eeprom FILE]
//
// Script, files in OUT and options as in ../README.md; without --port nothing of the host's time enters.
import { appendFileSync, closeSync, existsSync, openSync, readFileSync, writeFileSync, writeSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join, resolve } from 'node:path';
import { parseArgs } from 'node:util';

import { Chip, FLASH_BYTES } from './chip.mjs';

const { values, positionals } = parseArgs({
  allowPositionals: true,
  options: {
    parts: { type: 'string' },
    port: { type: 'string' },
    pace: { type: 'string', default: '0' },
    seconds: { type: 'string', default: 'Infinity' },
    eeprom: { type: 'string' },
    'no-reset-on-open': { type: 'boolean' }, // it never does: the board has no such capacitor
  },
});
const [image, scriptPath, folder] = positionals;
if (!folder || !values.parts) {
  console.error('usage: bench.mjs FIRMWARE.bin SCRIPT OUT --parts PARTS.node [--port LINK] [--pace X] [--seconds S] [--eeprom FILE]');
  process.exit(2);
}
const parts = createRequire(import.meta.url)(resolve(values.parts));
const SLICE_NS = 80e3; // shorter than a byte at 115200 baud
const KEPT_BYTES = 8192; // the last two sectors

const files = {};
for (const name of ['uart.bin', 'lines.txt', 'events.txt']) files[name] = openSync(join(folder, name), 'w');

let chip = null;
let line = '';
let ended = false;
let unplugged = false;
const bench = {
  parts,
  flash: new Uint8Array(FLASH_BYTES).fill(0xff),
  worn: new Set(),
  nextRestart: () => script.find((due) => due.text.startsWith('reset '))?.cycle ?? Infinity,
  scratch: new Uint32Array(8),
  chipReset: 1 << 8,
  cause: 'power',
  switchFitted: false,
  hostSilent: false, // as a USB port that nobody reads
  gate: null,
  base: 0,
  event: (text) => writeSync(files['events.txt'], `${(now() / 16).toFixed(4)} ${text}\n`),
  handed(byte, us) {
    writeSync(files['uart.bin'], Uint8Array.of(byte));
    if (byte !== 10) line += String.fromCharCode(byte);
    else {
      writeSync(files['lines.txt'], `${us.toFixed(4)} ${line}\n`);
      line = '';
    }
  },
  sent: (byte) => values.port && parts.transmit(byte),
};
bench.flash.set(readFileSync(image));
if (values.eeprom && existsSync(values.eeprom)) bench.flash.set(readFileSync(values.eeprom), FLASH_BYTES - KEPT_BYTES);

// ---- the script -------------------------------------------------------------

const script = readFileSync(scriptPath, 'latin1')
  .split('\n')
  .filter(Boolean)
  .map((text) => ({ cycle: parseFloat(text) * 16, text: text.slice(text.indexOf(' ') + 1) }));
script.sort((a, b) => a.cycle - b.cycle);

const RESETS = ['power', 'external', 'brownout'];
const commands = {
  'switch-fitted': () => (bench.switchFitted = true),
  send: (text) => [...text, '\n'].forEach((letter) => chip.receive(letter.charCodeAt(0))),
  'send-hex': (text) => text.match(/../g).forEach((byte) => chip.receive(parseInt(byte, 16))),
  reset(cause) {
    if (!RESETS.includes(cause)) throw new Error(cause);
    chip.restart = cause === 'brownout' ? 'power' : cause; // the chip cannot tell them apart
  },
  'host-silent': () => (bench.hostSilent = true),
  'host-reads': () => !(bench.hostSilent = false),
  stall: () => (chip.stalled = true),
  bus: (text) => chip.busFault(text.split(' ')[0], Number(text.split(' ')[1] ?? 0)),
  'flash-worn': (places) => places.split(' ').forEach((place) => bench.worn.add(FLASH_BYTES - KEPT_BYTES + Number(place))),
  unplug: () => (unplugged = true) && parts.unplug(),
  plug: () => parts.plug(values.port) && !(unplugged = false),
  end: () => (ended = true),
};

function now() {
  return chip ? chip.cycle : bench.base;
}

function runScript() {
  while (script.length && script[0].cycle <= now()) {
    const { text } = script.shift();
    const [name] = text.split(' ', 1);
    try {
      if (commands[name]) commands[name](text.slice(name.length + 1));
      else if (!parts.command(now(), text)) throw new Error('unknown');
    } catch (error) {
      console.error(`bench: cannot do "${text}": ${error.message}`);
      process.exit(2);
    }
  }
}

// ---- the run ----------------------------------------------------------------

function start(cause) {
  const before = chip;
  bench.base = now();
  bench.cause = cause;
  chip = null;
  if (before && cause === 'power') parts.powerOn(bench.base);
  chip = new Chip(bench);
  if (!before) return;
  chip.rx = before.rx;
  chip.rxOverruns = before.rxOverruns;
}

const sleeper = new Int32Array(new SharedArrayBuffer(4));
const nap = (milliseconds) => Atomics.wait(sleeper, 0, 0, milliseconds);
let counted = 0;

function host(begun) {
  if (++counted % 12) return; // once a millisecond
  if (!unplugged && parts.hostOpened()) bench.event('host opened the port');
  for (let byte; (byte = parts.receive()) >= 0; ) chip.receive(byte);
  while (parts.full() && !parts.interrupted()) {
    nap(1); // the host is slow: board time stands still, nothing is lost
    parts.hostOpened();
  }
  const pace = Number(values.pace);
  const ahead = pace > 0 ? chip.cycle / 16e3 / pace - (performance.now() - begun) : 0;
  if (ahead > 2) nap(Math.min(ahead, 100));
}

parts.begin(0, folder);
const end = Number(values.seconds) * 16e6;
start('power'); // pins float until the program runs
runScript();
if (bench.switchFitted) start('power');
if (values.port && !parts.plug(values.port)) {
  console.error(`bench: cannot make the port ${values.port}`);
  process.exit(2);
}
const begun = performance.now();
while (!ended && chip.cycle < end && !parts.interrupted()) {
  const until = script.length ? ((script[0].cycle - bench.base) * 1000) / 16 : Infinity;
  chip.run(Math.min(chip.nanos + SLICE_NS, Math.max(until, chip.nanos + 1)));
  if (chip.restart) start(chip.restart);
  runScript();
  if (values.port) host(begun);
}
parts.end(chip.cycle, folder);
appendFileSync(join(folder, 'truth.txt'), `rx_overruns=${chip.rxOverruns}\n`);
if (values.eeprom) writeFileSync(values.eeprom, bench.flash.subarray(FLASH_BYTES - KEPT_BYTES));
Object.values(files).forEach(closeSync);
