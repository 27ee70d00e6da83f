// What lies around a JPEG's picture (ITU-T T.81, annex B): the few facts of the camera and the
// colours that the reader notes, read out and written anew. Where it was taken stays behind.
"use strict";

const Segments = (() => {
  const ascii = (text) => Uint8Array.from(text, (letter) => letter.charCodeAt(0) & 0x7f);
  const textOf = (bytes) => String.fromCharCode(...bytes);

  // The text of the colour profile and the camera's facts, or null for what is no JPEG.
  function jpegFacts(bytes) {
    if (bytes[0] !== 0xff || bytes[1] !== 0xd8) return null;
    const facts = { profile: "", make: "", model: "", taken: "", orientation: 1, frame: false };
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
      const turned = first.has(0x0112) ? view.getUint16(first.get(0x0112).at, little) : 1;
      if (turned >= 1 && turned <= 8) facts.orientation = turned;
      const more = first.get(0x8769);
      if (more) facts.taken = words(entries(view.getUint32(more.at, little)).get(0x9003));
    } catch { /* a damaged header: what was found before it stands */ }
    return facts;
  }

  // Maker, model, time and how the pixels lie; where it was stays here.
  function exifSegment({ make, model, taken }, orientation = 1) {
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
    rows.push([...u16(0x0112), ...u16(3), ...u32(1), ...u16(orientation), 0, 0]);
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

  async function hashOf(bytes) {
    if (typeof crypto === "undefined" || !crypto.subtle) return ""; // not on an unsecured page
    const hash = new Uint8Array(await crypto.subtle.digest("SHA-256", bytes));
    return Array.from(hash, (b) => b.toString(16).padStart(2, "0")).join("");
  }

  const comment = (text) => segment(0xfe, ascii(text));

  return { ascii, facts: jpegFacts, exif: exifSegment, segment, comment, inserted: withSegments, hashOf };
})();
