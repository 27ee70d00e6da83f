// The coefficients of a JPEG (ITU-T T.81), without going on to pixels: baseline, extended and
// progressive, Huffman coded, 8 bits, grey or three colours, whatever the sampling.
//
// Whatever is odd is an error: nothing is guessed, nothing mended. Coefficients stay in the
// order of the zigzag, as they are coded.
"use strict";

const JpegIn = (() => {
  const KEPT = new Set([0xe0, 0xe2, 0xee]); // JFIF, colour profile, Adobe's word on the colours
  const { Bits, fail, lookup, blockReader } = JpegBits;

  // --- headers ----------------------------------------------------------------------------

  // {width, height, components, progressive, kept, quantisers}; ``shape(frame)`` is asked, once
  // the frame is known, for the blocks wanted: of every component a Uint8Array, a byte a block.
  function decode(bytes, shape) {
    if (bytes[0] !== 0xff || bytes[1] !== 0xd8) fail("none");
    const state = {
      bytes, frame: null, quantisers: [], dc: [], ac: [], restart: 0, kept: [], scans: 0,
    };
    let at = 2;
    for (;;) {
      if (bytes[at] !== 0xff) fail("no marker where one is due");
      while (bytes[at + 1] === 0xff) at++;
      const code = bytes[at + 1];
      if (code === 0xd9) break;
      const end = at + 2 + ((bytes[at + 2] << 8) | bytes[at + 3]);
      if (!(end > at + 3 && end <= bytes.length)) fail("a segment is cut short");
      const body = bytes.subarray(at + 4, end);
      at = end;
      if (code === 0xda) at = readScan(state, body, end);
      else readSegment(state, code, body, bytes.subarray(end - body.length - 4, end), shape);
    }
    if (!state.scans) fail("no picture");
    const { frame } = state;
    if (!frame.components.every(({ left }) => left.every((bits) => bits === 0))) fail("not all of it");
    return { ...frame, kept: state.kept };
  }

  function readSegment(state, code, body, whole, shape) {
    if (code === 0xdb) readQuantisers(state, body);
    else if (code === 0xc4) readCodes(state, body);
    else if (code === 0xdd) {
      if (body.length !== 2) fail("a restart interval of another length");
      state.restart = (body[0] << 8) | body[1];
    } else if (code === 0xc0 || code === 0xc1 || code === 0xc2) {
      if (state.frame) fail("two pictures");
      state.frame = frameOf(body, code === 0xc2);
      state.frame.components.forEach((component, k) => room(component, shape(state.frame)[k]));
    } else if (KEPT.has(code)) state.kept.push(whole);
    else if (code < 0xe0 && code !== 0xfe) fail(`segment ${code.toString(16)}`);
  }

  function readQuantisers(state, body) {
    if (state.scans) fail("quantisers amid the scans");
    for (let at = 0; at < body.length; at += 65) {
      if (body[at] > 3 || at + 65 > body.length) fail("quantisers of 16 bits, or cut short");
      state.quantisers[body[at]] = body.slice(at + 1, at + 65);
    }
  }

  function readCodes(state, body) {
    let at = 0;
    while (at < body.length) {
      const counts = body.subarray(at + 1, at + 17);
      const n = counts.reduce((sum, count) => sum + count, 0);
      if ((body[at] & 15) > 3 || body[at] >> 4 > 1 || at + 17 + n > body.length) fail("codes cut short");
      (body[at] >> 4 ? state.ac : state.dc)[body[at] & 15] = lookup(counts, body.subarray(at + 17, at + 17 + n));
      at += 17 + n;
    }
  }

  function frameOf(body, progressive) {
    const height = (body[1] << 8) | body[2], width = (body[3] << 8) | body[4], n = body[5];
    if (body[0] !== 8 || !width || !height || (n !== 1 && n !== 3) || body.length !== 6 + 3 * n) {
      fail("a picture of another kind");
    }
    const components = Array.from({ length: n }, (_, k) => {
      const [id, hv, quantiser] = body.subarray(6 + 3 * k);
      return { id, h: hv >> 4, v: hv & 15, quantiser };
    });
    const hs = components.map(({ h }) => h), vs = components.map(({ v }) => v);
    if (![...hs, ...vs].every((f) => f >= 1 && f <= 4)) fail("samplings that are none");
    const across = Math.max(...hs), down = Math.max(...vs);
    const columns = Math.ceil(width / (8 * across)), rows = Math.ceil(height / (8 * down));
    for (const one of components) {
      one.wide = columns * one.h; // blocks, those beyond the picture's edge among them
      one.tall = rows * one.v;
      one.inWidth = Math.ceil(Math.ceil((width * one.h) / across) / 8);
      one.inHeight = Math.ceil(Math.ceil((height * one.v) / down) / 8);
    }
    return { width, height, components, progressive, across, down, columns, rows, quantisers: null };
  }

  // Room for the coefficients of the blocks wanted. Later scans of a progressive picture are
  // read by what earlier ones brought, of every block.
  function room(component, wanted) {
    const n = component.wide * component.tall;
    component.wanted = wanted;
    component.slot = new Int32Array(n).fill(-1);
    component.slots = 0;
    component.left = new Int8Array(64).fill(-1); // bits of each coefficient still to come
    component.away = { sum: 0, count: 0 }; // DC of the blocks not wanted
    return component;
  }

  function layOut(frame) {
    for (const component of frame.components) {
      for (let k = 0; k < component.slot.length; k++) {
        if (frame.progressive || component.wanted[k]) component.slot[k] = component.slots++;
      }
      component.data = new Int16Array(64 * (component.slots + 1)); // the last: for what isn't wanted
    }
  }

  // --- scans ------------------------------------------------------------------------------

  function readScan(state, body, at) {
    const { frame } = state;
    const n = body[0];
    if (!frame || !(n >= 1 && n <= frame.components.length) || body.length !== 4 + 2 * n) fail("a scan of another kind");
    const parts = Array.from({ length: n }, (_, k) => {
      const [id, tables] = body.subarray(1 + 2 * k);
      const component = frame.components.find((one) => one.id === id);
      if (!component || !state.quantisers[component.quantiser]) fail("a scan of what isn't there");
      return { component, dc: state.dc[tables >> 4], ac: state.ac[tables & 15], before: 0 };
    });
    if (new Set(parts.map(({ component }) => component)).size < n) fail("a component twice");
    const [from, to, approximation] = body.subarray(1 + 2 * n);
    const scan = { from, to, high: approximation >> 4, low: approximation & 15, run: 0 };
    check(frame, scan, parts);
    if (!state.scans++) {
      layOut(frame);
      frame.quantisers = state.quantisers;
    }
    return readBlocks(state, parts, scan, blockReader(frame, scan), at);
  }

  // Whether the scan follows on those before it; notes which bits it brings.
  function check({ progressive }, { from, to, high, low }, parts) {
    const whole = from === 0 && to === 63 && high === 0 && low === 0;
    const part = to <= 63 && from <= to && (from > 0 ? parts.length === 1 : to === 0)
      && low <= 13 && (high === 0 || high === low + 1);
    if (!(progressive ? part : whole)) fail("a scan of another kind");
    for (const { component, dc, ac } of parts) {
      if ((from === 0 && high === 0 && !dc) || (to > 0 && !ac)) fail("codes are missing");
      for (let k = from; k <= to; k++) {
        if (component.left[k] !== (high ? high : -1)) fail("scans out of turn");
        component.left[k] = low;
      }
      if (from > 0 && component.left[0] < 0) fail("scans out of turn");
    }
  }

  function readBlocks(state, parts, scan, read, at) {
    const { frame, bytes, restart } = state;
    const bits = new Bits(bytes);
    bits.start(at);
    const alone = parts.length === 1;
    const [{ component: only }] = parts;
    const columns = alone ? only.inWidth : frame.columns, rows = alone ? only.inHeight : frame.rows;
    let until = restart, next = 0;
    for (let row = 0; row < rows; row++) {
      for (let column = 0; column < columns; column++) {
        if (restart && until-- === 0) {
          at = bits.end();
          while (bytes[at + 1] === 0xff) at++;
          if (bytes[at + 1] !== 0xd0 + next) fail("a restart out of turn");
          next = (next + 1) & 7;
          until = restart - 1;
          bits.start(at + 2);
          scan.run = 0;
          for (const part of parts) part.before = 0;
        }
        if (alone) {
          read(bits, parts[0], only, row * only.wide + column, scan);
          continue;
        }
        for (const part of parts) {
          const { component } = part;
          for (let j = 0; j < component.v; j++) {
            let block = (row * component.v + j) * component.wide + column * component.h;
            for (let i = 0; i < component.h; i++) read(bits, part, component, block++, scan);
          }
        }
      }
    }
    if (scan.run) fail("a run beyond the picture");
    return bits.end();
  }

  return { decode };
})();
