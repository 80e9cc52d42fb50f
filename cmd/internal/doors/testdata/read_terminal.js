// Reads what a terminal was sent, from standard input, draws it the way a terminal
// would (half blocks in the colours asked for) and prints what the QR code in it
// says, by a reader that shares nothing with the program under test.
"use strict";
const jsQR = require("jsqr");
const text = require("fs").readFileSync(0, "utf8");
const scale = 4;

let ink = null, paper = null; // grey, or null where the terminal's own is in force
const level = { 16: 0, 231: 255 };
const rows = [[]]; // cells of [upper, lower]
for (let i = 0; i < text.length; i++) {
  const rest = text.slice(i), colour = /^\x1b\[([0-9;]*)m/.exec(rest);
  if (colour) {
    const set = /^38;5;(\d+);48;5;(\d+)$/.exec(colour[1]);
    ink = set ? level[set[1]] : null;
    paper = set ? level[set[2]] : null;
    i += colour[0].length - 1;
  } else if (text[i] === "\n") rows.push([]);
  else {
    const own = { "█": [ink, ink], "▀": [ink, paper], "▄": [paper, ink], " ": [paper, paper] }[text[i]];
    if (!own || own.includes(undefined)) throw new Error("no letter of a code: " + JSON.stringify(rest.slice(0, 20)));
    rows[rows.length - 1].push(own.map((v) => v === null ? 0 : v)); // a dark terminal
  }
}
const wide = Math.max(...rows.map((r) => r.length)) * scale, high = rows.length * 2 * scale;
const pixels = new Uint8ClampedArray(wide * high * 4); // beyond the code the terminal is dark
rows.forEach((row, y) => row.forEach((cell, x) => cell.forEach((grey, lower) => {
  for (let dy = 0; dy < scale; dy++) for (let dx = 0; dx < scale; dx++) {
    const at = 4 * (((2 * y + lower) * scale + dy) * wide + x * scale + dx);
    pixels.fill(grey, at, at + 3);
    pixels[at + 3] = 255;
  }
})));
const found = jsQR(pixels, wide, high, { inversionAttempts: "dontInvert" });
if (!found) throw new Error("no code is to be seen");
process.stdout.write(found.data);
