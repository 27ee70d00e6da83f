// The bits of a JPEG's scans (ITU-T T.81): codes, and the coefficients of one block, as a
// baseline or a progressive picture brings them.
"use strict";

const JpegBits = (() => {
  const MOST_BITS = { dc: 11, ac: 10 }; // of a coefficient, for pictures of 8 bits

  function fail(why) {
    throw new Error(`JPEG: ${why}`);
  }

  // --- bits -------------------------------------------------------------------------------

  class Bits {
    constructor(bytes) {
      this.bytes = bytes;
      this.start(0);
    }

    start(at) {
      this.at = at;
      this.buffer = 0;
      this.count = 0;
      this.lent = 0; // bits that aren't there, handed out for looking ahead
    }

    fill() {
      const { bytes } = this;
      while (this.count <= 24) {
        let byte = 0;
        if (this.at >= bytes.length) this.lent += 8;
        else if (bytes[this.at] !== 0xff) byte = bytes[this.at++];
        else if (bytes[this.at + 1] === 0) {
          byte = 0xff;
          this.at += 2;
        } else this.lent += 8;
        this.buffer = (this.buffer << 8) | byte;
        this.count += 8;
      }
    }

    read(n) {
      if (n === 0) return 0;
      if (this.count < n) this.fill();
      this.count -= n;
      return (this.buffer >>> this.count) & ((1 << n) - 1);
    }

    symbol(table) {
      if (this.count < 16) this.fill();
      const entry = table[(this.buffer >>> (this.count - 16)) & 0xffff];
      if (entry === 0) fail("a code that is none");
      this.count -= entry >> 8;
      return entry & 0xff;
    }

    // A number of n bits whose first bit says its sign (F.2.2.1).
    signed(n) {
      const value = this.read(n);
      return value < 1 << (n - 1) ? value - (1 << n) + 1 : value;
    }

    // Where the marker stands that ends this run of bits; all of them must have been read.
    end() {
      const left = this.count - this.lent;
      if (left < 0) fail("data is missing");
      if (left >= 8 || this.bytes[this.at] !== 0xff) fail("data too many");
      return this.at;
    }
  }

  // From the next 16 bits: length of the code << 8 | symbol; 0 where there is no such code.
  function lookup(counts, symbols) {
    const table = new Uint16Array(65536);
    let code = 0, k = 0;
    for (let length = 1; length <= 16; length++) {
      for (let j = 0; j < counts[length - 1]; j++, k++, code++) {
        const from = code << (16 - length);
        if (from + (1 << (16 - length)) > 65536) fail("more codes than there can be");
        table.fill((length << 8) | symbols[k], from, from + (1 << (16 - length)));
      }
      code <<= 1;
    }
    return table;
  }

  // --- blocks -------------------------------------------------------------------------------

  function blockReader({ progressive }, { from, high }) {
    if (!progressive) return wholeBlock;
    if (from === 0) return high ? refinedDc : firstDc;
    return high ? refinedAc : firstAc;
  }

  function difference(bits, part) {
    const size = bits.symbol(part.dc);
    if (size > MOST_BITS.dc) fail("a value too large");
    if (size) part.before += bits.signed(size);
    if (part.before > 32767 || part.before < -32768) fail("a value too large");
    return part.before;
  }

  function wholeBlock(bits, part, component, block) {
    const wanted = component.wanted[block];
    const { data } = component;
    const base = 64 * (wanted ? component.slot[block] : component.slots);
    const dc = difference(bits, part);
    data[base] = dc;
    if (!wanted) {
      component.away.sum += dc;
      component.away.count++;
    }
    const { ac } = part;
    for (let k = 1; k < 64; k++) {
      const symbol = bits.symbol(ac);
      const size = symbol & 15;
      if (size === 0) {
        if (symbol !== 0xf0) {
          if (symbol) fail("a run that is none");
          break;
        }
        k += 15;
        continue;
      }
      k += symbol >> 4;
      if (k > 63 || size > MOST_BITS.ac) fail("a value too large");
      data[base + k] = bits.signed(size);
    }
  }

  function firstDc(bits, part, component, block, { low }) {
    const dc = difference(bits, part) * (1 << low);
    component.data[64 * component.slot[block]] = dc;
    if (!component.wanted[block]) {
      component.away.sum += dc;
      component.away.count++;
    }
  }

  function refinedDc(bits, part, component, block, { low }) {
    if (bits.read(1)) component.data[64 * component.slot[block]] |= 1 << low;
  }

  function firstAc(bits, part, component, block, scan) {
    if (scan.run > 0) {
      scan.run--;
      return;
    }
    const base = 64 * component.slot[block];
    for (let k = scan.from; k <= scan.to; k++) {
      const symbol = bits.symbol(part.ac);
      const size = symbol & 15, skip = symbol >> 4;
      if (size === 0) {
        if (skip < 15) {
          scan.run = (1 << skip) - 1 + bits.read(skip);
          return;
        }
        k += 15;
        continue;
      }
      k += skip;
      if (k > scan.to || size > MOST_BITS.ac) fail("a value too large");
      component.data[base + k] = bits.signed(size) * (1 << scan.low);
    }
  }

  // Another bit of coefficients known already, and those that get their first (G.1.2.3).
  function refinedAc(bits, part, component, block, scan) {
    const { data } = component;
    const base = 64 * component.slot[block], bit = 1 << scan.low;
    let k = scan.from;
    // Past ``zeros`` coefficients that are still zero; known ones on the way get their bit.
    const pass = (zeros) => {
      for (; k <= scan.to; k++) {
        const value = data[base + k];
        if (value === 0) {
          if (zeros-- === 0) return;
        } else if (bits.read(1) && (Math.abs(value) & bit) === 0) data[base + k] += value > 0 ? bit : -bit;
      }
    };
    if (scan.run > 0) scan.run--;
    else {
      while (k <= scan.to) {
        const symbol = bits.symbol(part.ac);
        const size = symbol & 15, skip = symbol >> 4;
        if (size > 1) fail("a value too large");
        if (size === 0 && skip < 15) {
          scan.run = (1 << skip) - 1 + bits.read(skip);
          break;
        }
        const value = size ? (bits.read(1) ? bit : -bit) : 0;
        pass(skip);
        if (k > scan.to) {
          if (size) fail("a value too large");
          return;
        }
        if (value) data[base + k] = value;
        k++;
      }
      if (k > scan.to) return;
    }
    pass(64);
  }

  return { Bits, fail, lookup, blockReader };
})();
