/* A MicroPython program with the chip's `machine` and `bluetooth` replaced at their edge.
 *
 *     node bridge.mjs MODULES FOLDER [by-hand]      runs FOLDER/main.py in MicroPython itself
 *
 * One line of JSON each way for what passes the edge. In: {"uart": HEX}, {"event": [IRQ, NUMBERS...]}, {"write": HEX},
 * {"room": N} (notifications that the radio's queue takes from now on, null = any number), {"more": N} (so many more), {"volt": V}, {"late": SHARE} (of
 * calls into the edge that bring events in the middle of what the program does), {"wait": MS} (move its clock on), {"quit": 0}.
 * Out: {"uart": HEX}, {"notify": HEX}, {"advertise": {...}}, {"value": [UUID, HEX]}, {"print": TEXT}, {"turns": N} after each
 * wait, {"error": TEXT} last. Time is the computer's own, or stands still but for `wait`. */
import { readdirSync, readFileSync, readSync, writeSync } from 'node:fs';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';

const [modules, folder, clock] = process.argv.slice(2);
const where = join(modules, 'node_modules/@micropython/micropython-webassembly-pyscript/micropython.mjs');
const { loadMicroPython } = await import(pathToFileURL(where));

const buffer = new Uint8Array(65536);
const decoder = new TextDecoder();
let rest = '';
const byHand = clock === 'by-hand';
let handMs = 0;
let turns = 0;

function say(message) {
  const bytes = new TextEncoder().encode(JSON.stringify(message) + '\n');
  for (let at = 0; at < bytes.length; ) {
    try {
      at += writeSync(1, bytes, at);
    } catch (error) {
      if (error.code !== 'EAGAIN') process.exit(0);
      pause(1);
    }
  }
}

function pause(ms) {
  Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, ms);
}

/* What has come in; waits for it if the clock is moved by hand. */
function incoming(wait) {
  for (;;) {
    const end = rest.indexOf('\n');
    if (end >= 0) {
      const line = rest.slice(0, end);
      rest = rest.slice(end + 1);
      return line;
    }
    try {
      const count = readSync(0, buffer);
      if (count === 0) process.exit(0);
      rest += decoder.decode(buffer.subarray(0, count), { stream: true });
    } catch (error) {
      if (error.code !== 'EAGAIN') process.exit(0);
      if (!wait) return '';
      pause(1);
    }
  }
}

const edge = {
  say: (text) => say(JSON.parse(text)),
  next: (wait) => {
    const line = incoming(wait);
    if (line === '') return '';
    const message = JSON.parse(line);
    if ('quit' in message) process.exit(0);
    return line;
  },
  moved: (ms) => {
    handMs += ms;
    turns++;
  },
  turns: () => turns,
  by_hand: () => byHand,
  pause: (ms) => pause(ms),
  ms: () => (byHand ? handMs : Number(process.hrtime.bigint() / 1000000n)) & 0x3fffffff,
};

const mp = await loadMicroPython({
  heapsize: 160 * 1024,
  stdout: (text) => say({ print: text }),
  linebuffer: true,
});
mp.registerJsModule('edge', edge);
for (const from of [join(import.meta.dirname, 'micropython'), folder]) {
  for (const name of readdirSync(from).filter((name) => name.endsWith('.py'))) {
    mp.FS.writeFile('/' + name, readFileSync(join(from, name)));
  }
}
say({ started: true });
try {
  mp.runPython("import sys; sys.path.insert(0, '/'); import chip; import main");
} catch (error) {
  say({ error: error.message });
}
