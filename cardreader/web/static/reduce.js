// Makes the smaller photo that is sent over a slow link: whole blocks of pixels averaged to
// the size at which the reader works, JPEG, with the few facts of the camera that the reader
// notes, and a comment that says what was done. docs/phone.md says how little it moves readings.
"use strict";

const Reduce = (() => {
  const QUALITY = 98;
  const WORKING_SIDE = 1600; // the reader's: no smaller than this on the long side
  const LEAST_GAIN = 0.75; // of the original's bytes; else it isn't worth it
  const STRIP = 64;

  // {bytes, width, height, quality} of the smaller photo; null where there is none to be had.
  async function make({ blob }) {
    const original = new Uint8Array(await blob.arrayBuffer());
    const facts = jpegFacts(original);
    if (!facts || facts.frame || typeof OffscreenCanvas === "undefined") return null;
    const wide = facts.profile && !facts.profile.includes("sRGB");
    const bitmap = await createImageBitmap(blob);
    try {
      const long = Math.max(bitmap.width, bitmap.height);
      const divisor = [8, 4, 2, 1].find((d) => d === 1 || long / d >= WORKING_SIDE);
      const canvas = averaged(bitmap, divisor, wide ? "display-p3" : "srgb");
      const made = await canvas.convertToBlob({ type: "image/jpeg", quality: QUALITY / 100 });
      const encoded = new Uint8Array(await made.arrayBuffer());
      const kept = jpegFacts(encoded);
      // A browser that can't say which colours it wrote would have us send others.
      if (!kept || (wide && !kept.profile)) return null;
      const sha256 = await hashOf(original);
      const note = `cardreader-reduced/1 from=${bitmap.width}x${bitmap.height} `
        + `quality=${QUALITY} sha256=${sha256 || "unknown"}`;
      const bytes = withSegments(encoded, [exifSegment(facts), segment(0xfe, ascii(note))]);
      if (bytes.length > LEAST_GAIN * original.length) return null;
      return { bytes: bytes.buffer, width: canvas.width, height: canvas.height, quality: QUALITY, sha256 };
    } finally {
      bitmap.close();
    }
  }

  // A canvas with the mean of every block of divisor x divisor pixels; a rest at the edge goes.
  function averaged(bitmap, divisor, colorSpace) {
    const width = Math.floor(bitmap.width / divisor), height = Math.floor(bitmap.height / divisor);
    const canvas = new OffscreenCanvas(width, height);
    const out = canvas.getContext("2d", { colorSpace });
    if (divisor === 1) {
      out.drawImage(bitmap, 0, 0);
      return canvas;
    }
    // In strips: all of a large photo at once is too much for a small phone.
    const strip = new OffscreenCanvas(width * divisor, STRIP * divisor);
    const from = strip.getContext("2d", { colorSpace, willReadFrequently: true });
    for (let top = 0; top < height; top += STRIP) {
      const rows = Math.min(STRIP, height - top);
      from.drawImage(bitmap, 0, -top * divisor);
      const { data } = from.getImageData(0, 0, width * divisor, rows * divisor);
      out.putImageData(blockMeans(data, width, rows, divisor, colorSpace), 0, top);
    }
    return canvas;
  }

  function blockMeans(data, width, rows, divisor, colorSpace) {
    const image = new ImageData(width, rows, { colorSpace });
    const n = divisor * divisor, line = width * divisor * 4;
    for (let y = 0; y < rows; y++) {
      for (let x = 0; x < width; x++) {
        let red = 0, green = 0, blue = 0;
        for (let j = 0; j < divisor; j++) {
          let at = (y * divisor + j) * line + x * divisor * 4;
          for (let i = 0; i < divisor; i++, at += 4) {
            red += data[at];
            green += data[at + 1];
            blue += data[at + 2];
          }
        }
        const to = 4 * (y * width + x);
        image.data[to] = red / n;
        image.data[to + 1] = green / n;
        image.data[to + 2] = blue / n;
        image.data[to + 3] = 255;
      }
    }
    return image;
  }

  async function hashOf(bytes) {
    if (typeof crypto === "undefined" || !crypto.subtle) return ""; // not on an unsecured page
    const hash = new Uint8Array(await crypto.subtle.digest("SHA-256", bytes));
    return Array.from(hash, (b) => b.toString(16).padStart(2, "0")).join("");
  }

  // --- JPEG segments ----------------------------------------------------------------------

  const ascii = (text) => Uint8Array.from(text, (letter) => letter.charCodeAt(0) & 0x7f);
  const textOf = (bytes) => String.fromCharCode(...bytes);

  // The text of the colour profile and the camera's facts, or null for what is no JPEG.
  function jpegFacts(bytes) {
    if (bytes[0] !== 0xff || bytes[1] !== 0xd8) return null;
    const facts = { profile: "", make: "", model: "", taken: "", frame: false };
    let at = 2;
    while (at + 4 <= bytes.length && bytes[at] === 0xff && bytes[at + 1] !== 0xda) {
      const length = (bytes[at + 2] << 8) | bytes[at + 3];
      const body = bytes.subarray(at + 4, at + 2 + length);
      const name = textOf(body.subarray(0, 11));
      if (bytes[at + 1] === 0xe2 && name === "ICC_PROFILE") facts.profile += textOf(body.subarray(14, 4096));
      if (bytes[at + 1] === 0xfe && textOf(body.subarray(0, 17)) === "cardreader-frame/") facts.frame = true;
      if (bytes[at + 1] === 0xe1 && name.startsWith("Exif")) Object.assign(facts, exifFacts(body.subarray(6)));
      at += 2 + length;
    }
    // Descriptions may be in two bytes a letter.
    facts.profile = facts.profile.replaceAll("\0", "");
    return facts;
  }

  function exifFacts(tiff) {
    const facts = {};
    try {
      const view = new DataView(tiff.buffer, tiff.byteOffset, tiff.byteLength);
      const little = view.getUint16(0) === 0x4949;
      const entries = (offset) => {
        const found = new Map();
        const n = view.getUint16(offset, little);
        for (let k = 0; k < n; k++) {
          const at = offset + 2 + 12 * k;
          found.set(view.getUint16(at, little), { count: view.getUint32(at + 4, little), at: at + 8 });
        }
        return found;
      };
      const words = (entry) => {
        if (!entry || entry.count > 200) return "";
        const start = entry.count > 4 ? view.getUint32(entry.at, little) : entry.at;
        return textOf(tiff.subarray(start, start + entry.count)).replaceAll("\0", "").trim();
      };
      const first = entries(view.getUint32(4, little));
      facts.make = words(first.get(0x010f));
      facts.model = words(first.get(0x0110));
      const more = first.get(0x8769);
      if (more) facts.taken = words(entries(view.getUint32(more.at, little)).get(0x9003));
    } catch { /* a damaged header: what was found before it stands */ }
    return facts;
  }

  // Maker, model and time only; the pixels are upright already, and where it was stays here.
  function exifSegment({ make, model, taken }) {
    const texts = [[0x010f, make], [0x0110, model]].filter(([, text]) => text);
    const inner = /^\d{4}:\d\d:\d\d \d\d:\d\d:\d\d$/.test(taken) ? [[0x9003, taken]] : [];
    const entries = texts.length + 1 + inner.length;
    const size = 8 + 2 + 12 * entries + 4;
    const tail = [];
    let free = size;
    const lay = (text) => {
      const bytes = [...ascii(text), 0];
      if (bytes.length % 2) bytes.push(0);
      tail.push(...bytes);
      free += bytes.length;
      return { at: free - bytes.length, count: text.length + 1 };
    };
    const u16 = (value) => [value >> 8, value & 255];
    const u32 = (value) => [...u16(value >>> 16), ...u16(value & 0xffff)];
    const stringEntry = ([tag, text]) => {
      if (text.length <= 3) return [...u16(tag), ...u16(2), ...u32(text.length + 1), ...[...ascii(text), 0, 0, 0, 0].slice(0, 4)];
      const { at, count } = lay(text);
      return [...u16(tag), ...u16(2), ...u32(count), ...u32(at)];
    };
    const rows = texts.map(stringEntry);
    rows.push([...u16(0x0112), ...u16(3), ...u32(1), ...u16(1), 0, 0]);
    if (inner.length) {
      const sub = [...u16(1)];
      const { at, count } = lay(inner[0][1]);
      sub.push(...u16(0x9003), ...u16(2), ...u32(count), ...u32(at), ...u32(0));
      rows.push([...u16(0x8769), ...u16(4), ...u32(1), ...u32(free)]);
      tail.push(...sub);
    }
    const tiff = [0x4d, 0x4d, 0, 42, ...u32(8), ...u16(entries), ...rows.flat(), ...u32(0), ...tail];
    return segment(0xe1, Uint8Array.from([...ascii("Exif"), 0, 0, ...tiff]));
  }

  function segment(code, body) {
    const length = body.length + 2;
    return Uint8Array.from([0xff, code, length >> 8, length & 255, ...body]);
  }

  // Behind the first segment where that is the JFIF header, which must come first.
  function withSegments(jpeg, segments) {
    const at = jpeg[3] === 0xe0 ? 4 + ((jpeg[4] << 8) | jpeg[5]) : 2;
    const added = segments.reduce((sum, part) => sum + part.length, 0);
    const out = new Uint8Array(jpeg.length + added);
    out.set(jpeg.subarray(0, at));
    let to = at;
    for (const part of segments) {
      out.set(part, to);
      to += part.length;
    }
    out.set(jpeg.subarray(at), to);
    return out;
  }

  // A picture from the camera's moving one says so, as one made smaller does.
  function marked(jpeg, note) {
    return withSegments(jpeg, [segment(0xfe, ascii(note))]);
  }

  return { make, marked };
})();
