// The card's part of a photo, for a slow link: the blocks of the JPEG in which the card lies,
// with the coefficients they have, at the place they have; every other block of one flat
// colour, which costs next to nothing. Nothing of the card is decoded and coded anew, so that
// no reading moves (docs/phone.md).
"use strict";

const CardPart = (() => {
  const MARGIN_MM = 4; // about the card, for a lens that bows its edges
  const MOST_PIXELS = 26e6; // memory: 2 bytes a coefficient of the blocks that stay
  const MOST_PROGRESSIVE = 17e6; // where all of them have to be held
  const STRIP = 64;
  const STRIPS = 24; // of the picture that are looked at before it is sent

  // {bytes, width, height} of the part; null where there is none to be had: no JPEG that can be
  // taken apart, or not exactly one whole card in view.
  async function make(original, bitmap, facts, sha256) {
    const outline = outlineOf(bitmap);
    if (!outline) return null;
    const bytes = cut(original, outline, bitmap, facts, Segments.comment(`cardreader-part/1 sha256=${sha256}`));
    if (!bytes || !(await same(bitmap, bytes, outline))) return null;
    return { bytes, width: bitmap.width, height: bitmap.height };
  }

  // The file, or null where it can't be made. ``outline`` is in upright pixels.
  function cut(original, outline, { width, height }, facts, note) {
    try {
      const picture = JpegIn.decode(original, (frame) => {
        const pixels = frame.width * frame.height;
        if (pixels > (frame.progressive ? MOST_PROGRESSIVE : MOST_PIXELS)) throw new Error("too large");
        const asStored = facts.orientation < 5 ? [width, height] : [height, width];
        if (frame.width !== asStored[0] || frame.height !== asStored[1]) throw new Error("another size");
        return blocksWithin(frame, outline.map((point) => stored(point, facts.orientation, frame)));
      });
      for (const component of picture.components) {
        const { sum, count } = component.away;
        component.flat = count ? Math.round(sum / count) : 0;
      }
      return JpegOut.encode(picture, segmentsOf(picture.kept, facts, note), true);
    } catch {
      return null; // whatever is odd about it goes the other way
    }
  }

  // The card's corners and a margin, in upright pixels, going round.
  function outlineOf(bitmap) {
    const found = Pictures.markersIn(bitmap);
    // A second card, or a part of one, is for the reader to see.
    if (found.length !== 4 || new Set(found.map(({ corner }) => corner)).size !== 4) return null;
    const pose = Markers.pose(found);
    if (!pose) return null;
    const [left, top, right, bottom] = [-MARGIN_MM, -MARGIN_MM, CARD.width + MARGIN_MM, CARD.height + MARGIN_MM];
    const outline = [[left, top], [right, top], [right, bottom], [left, bottom]]
      .map(([x, y]) => Markers.apply(pose.map, x, y));
    return outline.flat().every(Number.isFinite) && Markers.area(outline) > 0 ? outline : null;
  }

  // Where an upright pixel is stored (EXIF 2.32, orientation).
  function stored([x, y], orientation, { width, height }) {
    const across = width - 1, down = height - 1;
    return [
      [x, y], [across - x, y], [across - x, down - y], [x, down - y],
      [y, x], [y, down - x], [across - y, down - x], [across - y, x],
    ][orientation - 1];
  }

  // Of every component a byte a block: 1 for those of units that the outline meets, and of
  // their neighbours, since colours at half the size are spread over the edges of blocks.
  function blocksWithin(frame, outline) {
    const met = new Uint8Array(frame.columns * frame.rows);
    const [w, h] = [8 * frame.across, 8 * frame.down];
    const way = Math.sign(Markers.area(outline));
    for (let row = 0; row < frame.rows; row++) {
      for (let column = 0; column < frame.columns; column++) {
        const box = [(column - 1) * w, (row - 1) * h, (column + 2) * w, (row + 2) * h];
        if (meets(box, outline, way)) met[row * frame.columns + column] = 1;
      }
    }
    return frame.components.map((component) => {
      const wanted = new Uint8Array(component.wide * component.tall);
      for (let k = 0; k < wanted.length; k++) {
        const row = Math.floor(Math.floor(k / component.wide) / component.v);
        wanted[k] = met[row * frame.columns + Math.floor((k % component.wide) / component.h)];
      }
      return wanted;
    });
  }

  // Whether a box isn't wholly beyond one side of the outline.
  function meets([left, top, right, bottom], outline, way) {
    return outline.every(([x, y], k) => {
      const [u, v] = outline[(k + 1) % outline.length];
      const inside = (px, py) => way * ((u - x) * (py - y) - (v - y) * (px - x)) >= 0;
      return inside(left, top) || inside(right, top) || inside(left, bottom) || inside(right, bottom);
    });
  }

  // The colours' facts as they were, the camera's few, and what was done. A JFIF header goes
  // without its small picture, and what else stands beside a colour profile stays behind.
  function segmentsOf(kept, facts, note) {
    const named = (part, name) => Segments.ascii(name).every((byte, k) => part[4 + k] === byte);
    const jfif = kept.filter((part) => part[1] === 0xe0 && named(part, "JFIF") && part.length >= 18).slice(0, 1)
      .map((part) => Segments.segment(0xe0, [...part.subarray(4, 16), 0, 0]));
    const colours = kept.filter((part) => (part[1] === 0xe2 && named(part, "ICC_PROFILE"))
      || (part[1] === 0xee && named(part, "Adobe")));
    return [...jfif, Segments.exif(facts, facts.orientation), ...colours, note];
  }

  // --- before it is sent ------------------------------------------------------------------

  // Whether this browser shows the card of the one exactly as of the other.
  async function same(bitmap, made, outline) {
    const part = await createImageBitmap(new Blob([made], { type: "image/jpeg" }));
    try {
      if (part.width !== bitmap.width || part.height !== bitmap.height) return false;
      const tops = outline.map(([, y]) => y);
      const top = Math.max(0, Math.ceil(Math.min(...tops))), bottom = Math.min(bitmap.height, Math.floor(Math.max(...tops)));
      const step = Math.max(STRIP, (bottom - top) / STRIPS);
      for (let y = top; y < bottom; y += step) {
        if (!sameStrip(bitmap, part, Math.floor(y), outline)) return false;
      }
      return true;
    } finally {
      part.close();
    }
  }

  const ROWS = 4;
  function sameStrip(bitmap, part, top, outline) {
    const [one, other] = [bitmap, part].map((picture) => {
      const canvas = new OffscreenCanvas(picture.width, ROWS);
      const context = canvas.getContext("2d", { willReadFrequently: true });
      context.drawImage(picture, 0, -top);
      return context.getImageData(0, 0, picture.width, ROWS).data;
    });
    for (let row = 0; row < ROWS; row++) {
      const [from, to] = crossing(outline, top + row, bitmap.width);
      const start = 4 * (row * bitmap.width + from), end = 4 * (row * bitmap.width + to);
      for (let k = start; k < end; k++) if (one[k] !== other[k]) return false;
    }
    return true;
  }

  // From where to where a row lies within the outline.
  function crossing(outline, y, width) {
    const at = outline.flatMap(([x0, y0], k) => {
      const [x1, y1] = outline[(k + 1) % outline.length];
      return (y0 <= y) === (y1 <= y) ? [] : [x0 + ((y - y0) / (y1 - y0)) * (x1 - x0)];
    });
    if (at.length < 2) return [0, 0];
    return [Math.max(0, Math.ceil(Math.min(...at))), Math.min(width, Math.floor(Math.max(...at)))];
  }

  return { make, cut, blocksWithin };
})();
