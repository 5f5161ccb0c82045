/* The firmware on an emulated RP2040, told what to do line by line (README.md).
 *
 *     node rp2040.mjs MODULES FIRMWARE.uf2 N        with the board's end of a pseudo-terminal as descriptor N
 *
 * rp2040js runs the chip. What it leaves out and the firmware rests on is here, from the chip's data sheet: the boot ROM
 * (its check of the first 256 bytes, the functions that erase and program flash), a UART that takes its time, a
 * converter that its own divider paces, and the strip at the converter's inputs. */
import { fstatSync, readFileSync, readSync, writeSync } from 'node:fs';
import { createRequire } from 'node:module';
import { createInterface } from 'node:readline';
import { join } from 'node:path';

const [modules, image, descriptor] = process.argv.slice(2);
const require = createRequire(join(modules, 'x.js'));
const { Simulator } = require('rp2040js');
const { decodeBlock, familyMap, isUF2Block } = require('uf2');

const LINE = Number(descriptor);
const CELLS = 32;
const ROWS = 3;
const VREF_MV = 3300;
const CONVERSION_NS = 2000;
const ADC_MHZ = 48;
const SELECT_PINS = [2, 3, 4, 5];
const ENABLE_PINS = [6, 7];
const SWITCH_PIN = 8;
const STEP_US = 1000;
const ROOM = 65536;
const FLASH = 0x10000000;
const BOOT2_AT = 0x20041f00;

function say(text) {
  writeSync(1, text + '\n');
}

/* ---- the strip: loads in mV over time, rest levels, noise, and a multiplexer that takes time to settle */

const strip = { noise: 0, tauNs: 1000, random: 1n, rest: new Float64Array(ROWS * CELLS).fill(100), waves: [] };

function still() {
  strip.waves = Array.from({ length: ROWS * CELLS }, () => ({ points: [], at: 0 }));
}
still();

function cellMv(place, us) {
  const wave = strip.waves[place];
  const { points } = wave;
  if (points.length === 0 || us < points[0][0]) return strip.rest[place];
  while (wave.at + 1 < points.length && points[wave.at + 1][0] <= us) wave.at++;
  const [t0, v0] = points[wave.at];
  if (wave.at + 1 === points.length) return strip.rest[place] + v0;
  const [t1, v1] = points[wave.at + 1];
  return strip.rest[place] + v0 + Math.max(0, (us - t0) / (t1 - t0)) * (v1 - v0);
}

/* xorshift64* (Vigna 2016); twelve uniform numbers make a normal one. */
function normal() {
  const mask = (1n << 64n) - 1n;
  let sum = -6;
  for (let i = 0; i < 12; i++) {
    let x = strip.random;
    x ^= x >> 12n;
    x ^= (x << 25n) & mask;
    x ^= x >> 27n;
    strip.random = x;
    sum += Number(((x * 2685821657736338717n) & mask) >> 11n) / 2 ** 53;
  }
  return sum;
}

/* ---- the chip */

let chip;
let clock;
let originNs = 0;
let flash = new Uint8Array(16 << 20).fill(0xff);
const warnings = new Set();
const selected = { cell: -1, before: -1, ns: 0 };
let nextDueNs = 0;
let lineFreeNs = 0;
let outgoing = [];
let incoming = [];
let receiveAlarm;
let receiving = false;
const counts = { sent: 0, lost: 0, received: 0 };
let numbers;

const nowNs = () => originNs + clock.nanos;
const nowUs = () => nowNs() / 1000;

function clear() {
  numbers = { conversions: 0, wrong_enables: 0, least_settle_ns: Infinity, scans: 0, scan_ns_total: 0, scan_ns_greatest: 0, awake_cycles: 0, began_ns: clock ? nowNs() : 0 };
  firstCellNs = -1;
}
let firstCellNs = -1;

/* The multiplexer of which cell conducts: -1 if none does, or both. */
function conducting(pins) {
  const on = ENABLE_PINS.map((pin) => !((pins >>> pin) & 1));
  if (on[0] === on[1]) return -1;
  return SELECT_PINS.reduce((cell, pin, bit) => cell | (((pins >>> pin) & 1) << bit), on[0] ? 0 : 16);
}

function onPins() {
  const cell = conducting(chip.sio.gpioValue);
  if (cell === selected.cell) return;
  if (clock.nanos !== selected.ns) selected.before = selected.cell;
  selected.cell = cell;
  selected.ns = clock.nanos;
}

function convert(row) {
  const us = nowUs();
  const { cell, before } = selected;
  numbers.conversions++;
  if (cell < 0 || row >= ROWS) {
    numbers.wrong_enables++;
    return 0;
  }
  const place = row * CELLS + cell;
  const settledNs = clock.nanos - selected.ns;
  numbers.least_settle_ns = Math.min(numbers.least_settle_ns, settledNs);
  let mv = cellMv(place, us);
  if (before >= 0 && strip.tauNs > 0) {
    mv += (cellMv(row * CELLS + before, us) - mv) * Math.exp(-settledNs / strip.tauNs);
  }
  if (row === 0 && cell === 0) {
    if (firstCellNs >= 0) {
      const took = clock.nanos - firstCellNs;
      numbers.scans++;
      numbers.scan_ns_total += took;
      numbers.scan_ns_greatest = Math.max(numbers.scan_ns_greatest, took);
    }
    firstCellNs = clock.nanos;
  }
  const value = Math.round((mv * 4096) / VREF_MV + (strip.noise > 0 ? strip.noise * normal() : 0));
  return Math.max(0, Math.min(4095, value));
}

/* ---- boot ROM: the table of functions (data sheet 2.8.3), each of them a breakpoint that this program answers */

const ROM_FUNCTIONS = {
  IF: () => {},
  EX: () => {},
  FC: () => {},
  CX: () => {},
  RE: ([at, count]) => {
    if (at % 4096 !== 0 || count % 4096 !== 0) throw new Error('flash is erased by whole sectors of 4096 bytes');
    chip.flash.fill(0xff, at, at + count);
  },
  RP: ([at, from, count]) => {
    if (at % 256 !== 0 || count % 256 !== 0) throw new Error('flash is programmed by whole pages of 256 bytes');
    /* Programming clears bits and sets none. */
    for (let i = 0; i < count; i++) chip.flash[at + i] &= chip.readUint8(from + i);
  },
};
const ROM_NAMES = Object.keys(ROM_FUNCTIONS);

function bootRom() {
  const rom = new DataView(new ArrayBuffer(16384));
  const put = (at, ...halves) => halves.forEach((half, i) => rom.setUint16(at + 2 * i, half, true));
  put(0x14, 0x100, 0, 0x81);
  /* Look a name (r1) up in a table (r0): ldrh r2,[r0]; cmp r2,#0; beq none; cmp r2,r1; beq found; adds r0,#4; b again;
   * found: ldrh r0,[r0,#2]; bx lr; none: movs r0,#0; bx lr. */
  put(0x80, 0x8802, 0x2a00, 0xd005, 0x428a, 0xd001, 0x3004, 0xe7f8, 0x8840, 0x4770, 0x2000, 0x4770);
  ROM_NAMES.forEach((name, i) => {
    put(0x100 + 4 * i, name.charCodeAt(0) | (name.charCodeAt(1) << 8), 0x200 + 4 * i + 1);
    put(0x200 + 4 * i, 0xbe00 | i, 0x4770);
  });
  return new Uint32Array(rom.buffer);
}

/* CRC of the first 252 bytes as the boot ROM works it out (data sheet 2.8.1.3.1). */
function crcOfBoot2(bytes) {
  let crc = 0xffffffff;
  for (const byte of bytes.subarray(0, 252)) {
    for (let bit = 7; bit >= 0; bit--) {
      const top = (crc >>> 31) ^ ((byte >> bit) & 1);
      crc = (crc << 1) ^ (top ? 0x04c11db7 : 0);
    }
  }
  return crc >>> 0;
}

function loadUf2(path) {
  const data = readFileSync(path);
  if (data.length === 0 || data.length % 512 !== 0 || !isUF2Block(data.subarray(0, 512))) {
    throw new Error('this is not a UF2 file: build it with make rp2040');
  }
  const seen = new Set();
  let total = 0;
  for (let at = 0; at < data.length; at += 512) {
    const block = decodeBlock(data.subarray(at, at + 512));
    /* As the boot ROM: blocks for another family of chips are passed over. */
    if (familyMap.get(block.boardFamily) !== 'Raspberry Pi RP2040') continue;
    total = block.totalBlocks;
    seen.add(block.blockNumber);
    flash.set(block.payload, block.flashAddress - FLASH);
  }
  if (seen.size === 0) throw new Error('no block of this UF2 file is for an RP2040: the boot ROM would ignore it');
  if (seen.size !== total) throw new Error(`${seen.size} of ${total} blocks in this UF2 file`);
}

function powerOn() {
  originNs = chip ? nowNs() : 0;
  if (chip) flash = chip.flash.slice();
  ({ clock, rp2040: chip } = new Simulator());
  chip.logger = {
    debug: () => {},
    info: () => {},
    warn: (name, text) => warnings.add(`${name}: ${text}`),
    error: (name, text) => {
      throw new Error(`${name}: ${text}`);
    },
  };
  chip.loadBootrom(bootRom());
  chip.flash.set(flash);
  /* What RAM holds when power comes on. */
  chip.sram.fill(0xa5);
  chip.onBreak = (code) => {
    const { registers } = chip.core;
    const name = ROM_NAMES[code];
    if (!name || chip.core.PC >= 0x1000) throw new Error(`breakpoint ${code} at ${chip.core.PC.toString(16)}`);
    ROM_FUNCTIONS[name](registers);
  };
  const uart = chip.uart[0];
  const bitNs = () => 1e9 / uart.baudRate;
  uart.onByte = (byte) => {
    lineFreeNs = Math.max(lineFreeNs, clock.nanos) + 10 * bitNs();
    outgoing.push([lineFreeNs, byte]);
    counts.sent++;
  };
  /* One byte in the shift register and one that waits (the FIFO is off): full, while the first has not gone. */
  Object.defineProperty(uart, 'flags', {
    get: () =>
      (uart.rxFIFO.empty ? 1 << 4 : 0) | (uart.rxFIFO.full ? 1 << 6 : 0) |
      (lineFreeNs - clock.nanos > 10 * bitNs() ? 1 << 5 : 0) | (lineFreeNs <= clock.nanos ? 1 << 7 : 0),
  });
  receiveAlarm = clock.createAlarm(() => {
    uart.feedByte(incoming.shift());
    counts.received++;
    receiving = incoming.length > 0;
    if (receiving) receiveAlarm.schedule(10 * bitNs());
  });
  receiving = false;
  incoming = [];
  outgoing = [];
  lineFreeNs = 0;
  nextDueNs = 0;
  const { adc } = chip;
  const start = adc.startADCRead.bind(adc);
  adc.startADCRead = () => {
    /* A write to CS does not disturb the divider (data sheet 4.9.2.2); the emulator would start at once. */
    if (clock.nanos < nextDueNs - 1) return;
    nextDueNs = clock.nanos + (adc.divider * 1000) / ADC_MHZ;
    start();
  };
  /* The interrupt goes when the FIFO has been emptied; the emulator would keep it up. */
  const read = adc.readUint32.bind(adc);
  adc.readUint32 = (offset) => {
    const value = read(offset);
    adc.checkInterrupts();
    return value;
  };
  const done = clock.createAlarm(() => adc.completeADCRead(adc.resultNow, false));
  adc.onADCRead = (channel) => {
    adc.resultNow = convert(channel);
    done.schedule(CONVERSION_NS);
  };
  selected.cell = -1;
  selected.before = -1;
  selected.ns = 0;
  for (const pin of [...SELECT_PINS, ...ENABLE_PINS]) chip.gpio[pin].addListener(onPins);
  press(false);
  /* The boot ROM's part. */
  const boot2 = chip.flash.subarray(0, 256);
  const said = new DataView(boot2.buffer, boot2.byteOffset).getUint32(252, true);
  if (crcOfBoot2(boot2) !== said) throw new Error('the first 256 bytes of flash have a wrong CRC: the boot ROM would not start them');
  chip.sram.set(boot2, BOOT2_AT - 0x20000000);
  chip.core.VTOR = 0;
  chip.core.SP = BOOT2_AT;
  chip.core.LR = 0;
  chip.core.PC = BOOT2_AT;
  clear();
}

function press(down) {
  /* A switch to ground against the pull-up inside. */
  chip.gpio[SWITCH_PIN].setInputValue(!down);
}

/* ---- the line */


function flush() {
  const due = outgoing.findIndex(([ns]) => ns > clock.nanos);
  const ready = due < 0 ? outgoing : outgoing.slice(0, due);
  if (ready.length === 0) return;
  outgoing = due < 0 ? [] : outgoing.slice(due);
  const bytes = Uint8Array.from(ready, ([, byte]) => byte);
  let at = 0;
  try {
    while (at < bytes.length) at += writeSync(LINE, bytes, at);
  } catch {
    counts.lost += bytes.length - at;
  }
}

const buffer = new Uint8Array(ROOM);

function fetch() {
  let count = 0;
  try {
    count = readSync(LINE, buffer);
  } catch {
    return 0;
  }
  if (count > 0) {
    incoming.push(...buffer.subarray(0, count));
    if (!receiving) {
      receiving = true;
      receiveAlarm.schedule(1e10 / chip.uart[0].baudRate);
    }
  }
  return count;
}

function pause(ms) {
  Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, ms);
}

/* ---- time */

/* `until` in ns of this start's clock. */
function run(until) {
  const { core } = chip;
  while (clock.nanos < until) {
    if (core.waiting) {
      const next = clock.nextAlarm ? clock.nextAlarm.nanos : until;
      clock.tick(Math.max(0, Math.min(next, until) - clock.nanos));
      continue;
    }
    const cycles = core.executeInstruction();
    numbers.awake_cycles += cycles;
    clock.tick((cycles * 1e9) / chip.clkSys);
  }
}

function stepUntil(untilUs) {
  const until = untilUs * 1000 - originNs;
  while (clock.nanos < until) {
    run(Math.min(clock.nanos + 1000 * STEP_US, until));
    flush();
  }
}

function sayRan() {
  say(`ran ${nowUs().toFixed(3)} sent ${counts.sent - outgoing.length} lost ${counts.lost} received ${counts.received}`);
}

let real = null;

function beginRealTime() {
  real = { began: process.hrtime.bigint(), us: nowUs() };
  const turn = () => {
    if (!real) return;
    fetch();
    const due = real.us + Number(process.hrtime.bigint() - real.began) / 1000;
    if (due > nowUs()) stepUntil(Math.min(due, nowUs() + STEP_US));
    else pause(0.2);
    setImmediate(turn);
  };
  turn();
}

function obey(line) {
  const [word, ...rest] = line.split(/\s+/);
  const [a, b, c] = rest.map(Number);
  if (real) {
    real = null;
    sayRan();
  }
  if (word === '' || word.startsWith('#')) return;
  else if (word === 'w') strip.waves[b].points.push([a, c]);
  else if (word === 'rest') strip.rest[a] = b;
  else if (word === 'seed') strip.random = BigInt(a) * 2n + 1n;
  else if (word === 'noise') strip.noise = a;
  else if (word === 'tau_ns') strip.tauNs = a;
  else if (word === 'still') still();
  else if (word === 'press') press(a !== 0);
  else if (word === 'brownout') powerOn();
  else if (word === 'run') {
    stepUntil(nowUs() + a);
    sayRan();
  } else if (word === 'take') {
    let come = 0;
    for (let tries = 0; come < a && tries < 2000; tries++) {
      const count = fetch();
      come += count;
      if (count === 0) pause(1);
    }
    say(`took ${come}`);
  } else if (word === 'realtime') beginRealTime();
  else if (word === 'baud') say(`baud ${chip.uart[0].baudRate}`);
  else if (word === 'clear') clear();
  else if (word === 'numbers') {
    const { began_ns: beganNs, ...told } = numbers;
    say(JSON.stringify({ ...told, ns: nowNs() - beganNs, clock_hz: chip.clkSys, scan_ns_mean: numbers.scan_ns_total / numbers.scans, warnings: [...warnings] }));
  } else if (word === 'quit') process.exit(0);
  else say(`error cannot obey '${line.slice(0, 100)}'`);
}

try {
  fstatSync(LINE);
  loadUf2(image);
  powerOn();
} catch (error) {
  say(`error ${error.message}`);
  process.exit(1);
}
say('started');
createInterface({ input: process.stdin })
  .on('line', (line) => {
    try {
      obey(line.trim());
    } catch (error) {
      say(`error ${error.message}`);
      process.exit(1);
    }
  })
  .on('close', () => process.exit(0));
