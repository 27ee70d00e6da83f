// Writes a JPEG (ITU-T T.81) from coefficients, with the codes that suit them best (K.2):
// baseline, or with ``progressive`` the DC first and then every component's others, where a
// run of empty blocks costs next to nothing.
"use strict";

const JpegOut = (() => {
  const MOST_BITS = { dc: 11, ac: 10 };

  const sizeOf = (value) => 32 - Math.clz32(value < 0 ? -value : value);

  // --- where codes and bits go --------------------------------------------------------------

  // Counts the symbols, so that the codes can be made.
  class Counts {
    constructor() {
      this.of = { dc: [new Uint32Array(257), new Uint32Array(257)], ac: [new Uint32Array(257), new Uint32Array(257)] };
    }

    symbol(kind, table, value) {
      this.of[kind][table][value]++;
    }

    bits() {}
  }

  class Output {
    constructor(size) {
      this.bytes = new Uint8Array(size);
      this.at = 0;
      this.buffer = 0;
      this.count = 0;
      this.codes = null;
    }

    room(n) {
      if (this.at + n <= this.bytes.length) return;
      const larger = new Uint8Array(2 * this.bytes.length + n);
      larger.set(this.bytes.subarray(0, this.at));
      this.bytes = larger;
    }

    put(part) {
      this.room(part.length);
      this.bytes.set(part, this.at);
      this.at += part.length;
    }

    symbol(kind, table, value) {
      const { lengths, codes } = this.codes[kind][table];
      this.bits(codes[value], lengths[value]);
    }

    bits(value, n) {
      // Up to 7 bits wait, and up to 16 come.
      this.buffer = (this.buffer << n) | value;
      this.count += n;
      if (this.count >= 8) this.room(8);
      while (this.count >= 8) {
        this.count -= 8;
        const byte = (this.buffer >>> this.count) & 0xff;
        this.bytes[this.at++] = byte;
        if (byte === 0xff) this.bytes[this.at++] = 0;
      }
      this.buffer &= (1 << this.count) - 1;
    }

    // The last byte is filled with ones.
    end() {
      if (this.count) this.bits((1 << (8 - this.count)) - 1, 8 - this.count);
    }
  }

  // --- codes (K.2, figures K.1 to K.4) -------------------------------------------------------

  // {counts, symbols, lengths, codes} of the code that is shortest for how often symbols occur.
  function codesFor(often) {
    const weight = Float64Array.from(often);
    weight[256] = 1; // so that no code is all ones
    const size = new Uint8Array(257), next = new Int32Array(257).fill(-1);
    for (;;) {
      let first = -1, second = -1;
      for (let k = 0; k < 257; k++) {
        if (!weight[k]) continue;
        if (first < 0 || weight[k] <= weight[first]) {
          second = first;
          first = k;
        } else if (second < 0 || weight[k] <= weight[second]) second = k;
      }
      if (second < 0) break;
      weight[first] += weight[second];
      weight[second] = 0;
      let k = first;
      for (; next[k] >= 0; k = next[k]) size[k]++;
      size[k]++;
      next[k] = second;
      for (k = second; k >= 0; k = next[k]) size[k]++;
    }
    const longest = new Uint32Array(257);
    for (let k = 0; k < 257; k++) if (size[k]) longest[size[k]]++;
    const counts = limited(longest);
    const symbols = [];
    for (let length = 1; length <= 256; length++) {
      for (let k = 0; k < 256; k++) if (size[k] === length) symbols.push(k);
    }
    return { counts, symbols, ...assigned(counts, symbols) };
  }

  // Numbers of codes of each length, none longer than 16 bits; less the one kept free.
  function limited(numbers) {
    for (let length = 256; length > 16; length--) {
      while (numbers[length]) {
        let shorter = length - 2;
        while (!numbers[shorter]) shorter--;
        numbers[length] -= 2;
        numbers[length - 1]++;
        numbers[shorter + 1] += 2;
        numbers[shorter]--;
      }
    }
    let last = 16;
    while (last && !numbers[last]) last--;
    numbers[last]--;
    return Uint8Array.from(numbers.subarray(1, 17));
  }

  function assigned(counts, symbols) {
    const lengths = new Uint8Array(256), codes = new Uint16Array(256);
    let code = 0, k = 0;
    for (let length = 1; length <= 16; length++, code <<= 1) {
      for (let j = 0; j < counts[length - 1]; j++) {
        lengths[symbols[k]] = length;
        codes[symbols[k++]] = code++;
      }
    }
    return { lengths, codes };
  }

  // --- scans --------------------------------------------------------------------------------

  // Where a block's coefficients are; of one that is left out only DC, the flat colour.
  const offsetOf = (component, block) => (component.wanted[block] ? 64 * component.slot[block] : -1);

  function scansOf(picture, progressive) {
    const { components } = picture;
    if (!progressive) return [{ components, from: 0, to: 63 }];
    return [
      { components, from: 0, to: 0 },
      ...components.map((component) => ({ components: [component], from: 1, to: 63 })),
    ];
  }

  function walk(picture, scan, sink) {
    const before = new Int32Array(4);
    const { components } = scan;
    const state = { from: scan.from, to: scan.to, run: 0, before, index: 0, table: 0, sink };
    const each = scan.from === 0 ? block : laterBlock;
    if (components.length === 1) {
      const [only] = components;
      state.table = tableOf(picture, only);
      for (let row = 0; row < only.inHeight; row++) {
        for (let column = 0; column < only.inWidth; column++) each(only, row * only.wide + column, state);
      }
      endRun(state);
      return;
    }
    for (let row = 0; row < picture.rows; row++) {
      for (let column = 0; column < picture.columns; column++) {
        for (let k = 0; k < components.length; k++) {
          const component = components[k];
          state.index = k;
          state.table = tableOf(picture, component);
          for (let j = 0; j < component.v; j++) {
            const at = (row * component.v + j) * component.wide + column * component.h;
            for (let i = 0; i < component.h; i++) each(component, at + i, state);
          }
        }
      }
    }
  }

  // Brightness has its codes, the two colours theirs.
  const tableOf = (picture, component) => (component === picture.components[0] ? 0 : 1);

  function block(component, at, state) {
    const { before, index, sink, table } = state;
    const base = offsetOf(component, at);
    const dc = base < 0 ? component.flat : component.data[base];
    const step = dc - before[index];
    before[index] = dc;
    const size = sizeOf(step);
    if (size > MOST_BITS.dc) throw new Error("JPEG: a step too large");
    sink.symbol("dc", table, size);
    if (size) sink.bits((step < 0 ? step - 1 : step) & ((1 << size) - 1), size);
    if (!state.to) return;
    if (base < 0) sink.symbol("ac", table, 0);
    else if (coefficients(component.data, base, state) < 63) sink.symbol("ac", table, 0);
  }

  function laterBlock(component, at, state) {
    const base = offsetOf(component, at);
    let last = 0;
    if (base >= 0) {
      last = 63;
      while (last && component.data[base + last] === 0) last--;
    }
    if (last) {
      endRun(state);
      coefficients(component.data, base, state);
    }
    if (last < 63 && ++state.run === 0x7fff) endRun(state);
  }

  // All but the first; returns where the last stands that isn't zero.
  function coefficients(data, base, { sink, table }) {
    let zeros = 0, last = 0;
    for (let k = 1; k < 64; k++) {
      const value = data[base + k];
      if (value === 0) {
        zeros++;
        continue;
      }
      for (; zeros > 15; zeros -= 16) sink.symbol("ac", table, 0xf0);
      const size = sizeOf(value);
      if (size > MOST_BITS.ac) throw new Error("JPEG: a value too large");
      sink.symbol("ac", table, (zeros << 4) | size);
      sink.bits((value < 0 ? value - 1 : value) & ((1 << size) - 1), size);
      zeros = 0;
      last = k;
    }
    return last;
  }

  // Blocks without anything more, told by how many there are (G.1.2.2).
  function endRun(state) {
    if (!state.run) return;
    const size = sizeOf(state.run) - 1;
    state.sink.symbol("ac", state.table, size << 4);
    if (size) state.sink.bits(state.run & ((1 << size) - 1), size);
    state.run = 0;
  }

  // --- the file -----------------------------------------------------------------------------

  const segment = (code, body) => [0xff, code, (body.length + 2) >> 8, (body.length + 2) & 255, ...body];

  // ``segments`` stand before the picture's own.
  function encode(picture, segments, progressive) {
    const { components } = picture;
    const out = new Output(1 << 16);
    out.put([0xff, 0xd8]);
    for (const part of segments) out.put(part);
    for (const k of new Set(components.map(({ quantiser }) => quantiser))) {
      out.put(segment(0xdb, [k, ...picture.quantisers[k]]));
    }
    out.put(segment(progressive ? 0xc2 : 0xc0, [
      8, picture.height >> 8, picture.height & 255, picture.width >> 8, picture.width & 255, components.length,
      ...components.flatMap(({ id, h, v, quantiser }) => [id, (h << 4) | v, quantiser]),
    ]));
    for (const scan of scansOf(picture, progressive)) putScan(out, picture, scan);
    out.put([0xff, 0xd9]);
    return out.bytes.slice(0, out.at);
  }

  function putScan(out, picture, scan) {
    const counts = new Counts();
    walk(picture, scan, counts);
    out.codes = { dc: [], ac: [] };
    ["dc", "ac"].forEach((kind, high) => {
      counts.of[kind].forEach((often, table) => {
        if (!often.some((n) => n)) return;
        const made = codesFor(often);
        out.codes[kind][table] = made;
        out.put(segment(0xc4, [(high << 4) | table, ...made.counts, ...made.symbols]));
      });
    });
    out.put(segment(0xda, [
      scan.components.length,
      ...scan.components.flatMap((component) => [component.id, tableOf(picture, component) * 0x11]),
      scan.from, scan.to, 0,
    ]));
    walk(picture, scan, out);
    out.end();
  }

  return { encode };
})();
