// Makes the smaller photo that is sent over a slow link: the card's part of it, or, where that
// can't be had, whole blocks of pixels averaged to the size at which the reader works; JPEG, with the few facts of the camera that the reader notes, and a comment that says
// what was done. docs/phone.md says how little it moves readings.
"use strict";

const Reduce = (() => {
  const QUALITY = 98;
  const WORKING_SIDE = 1600; // the reader's: no smaller than this on the long side
  const PART_AT_MOST = 0.95, MEANS_AT_MOST = 0.75; // of the original's bytes; else it isn't worth it
  const STRIP = 64;

  // {bytes, width, height, sha256, quality} of the smaller photo; null where there is none to be
  // had. The card's part of it, as it is, moves no reading; so nothing else goes where it can be had.
  async function make({ blob }) {
    const original = new Uint8Array(await blob.arrayBuffer());
    const facts = Segments.facts(original);
    if (!facts || facts.frame || typeof OffscreenCanvas === "undefined") return null;
    const sha256 = await Segments.hashOf(original);
    const bitmap = await createImageBitmap(blob);
    try {
      const part = await CardPart.make(original, bitmap, facts, sha256 || "unknown");
      const made = part || (await means(original, bitmap, facts, sha256 || "unknown"));
      const most = (part ? PART_AT_MOST : MEANS_AT_MOST) * original.length;
      return made && made.bytes.length <= most ? { ...made, bytes: made.bytes.buffer, sha256 } : null;
    } finally {
      bitmap.close();
    }
  }

  // Of the whole photo the mean of blocks of pixels.
  async function means(original, bitmap, facts, sha256) {
    const wide = facts.profile && !facts.profile.includes("sRGB");
    const long = Math.max(bitmap.width, bitmap.height);
    const divisor = [8, 4, 2, 1].find((d) => d === 1 || long / d >= WORKING_SIDE);
    const canvas = averaged(bitmap, divisor, wide ? "display-p3" : "srgb");
    const made = await canvas.convertToBlob({ type: "image/jpeg", quality: QUALITY / 100 });
    const encoded = new Uint8Array(await made.arrayBuffer());
    const kept = Segments.facts(encoded);
    // A browser that can't say which colours it wrote would have us send others.
    if (!kept || (wide && !kept.profile)) return null;
    const note = `cardreader-reduced/1 from=${bitmap.width}x${bitmap.height} quality=${QUALITY} sha256=${sha256}`;
    const bytes = Segments.inserted(encoded, [Segments.exif(facts), Segments.comment(note)]);
    return { bytes, width: canvas.width, height: canvas.height, quality: QUALITY };
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

  // A picture from the camera's moving one says so, as one made smaller does.
  function marked(jpeg, note) {
    return Segments.inserted(jpeg, [Segments.comment(note)]);
  }

  return { make, marked };
})();
