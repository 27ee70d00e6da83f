// A worker that looks at a picture before it is sent, and makes the smaller one that is
// sent over a slow link. The page goes on meanwhile.
//
// What it says is advice: the reader has the last word, and the photo may be sent all the
// same. Each limit lies beyond the reader's own, so that nothing is said against a photo
// that the reader reads.
"use strict";

importScripts(...["card", "markers", "pictures", "segments", "jpegbits", "jpegin", "jpegout", "cardpart", "reduce"]
  .map((name) => `/static/${name}.js`));
const { FIRST_WINDOW, drawn, smaller, histogram, level, brightened, markersOf, cornersSeen } = Pictures;

// How far beyond the reader's limits: measured on simulated photos, tests/web/test_look.py.
const BEYOND = { pxPerMm: 0.94, tiltDeg: 0.3, blur: 1.11, clipped: 0.06, light: 0.8, sharpness: 0.9 };
const SIDE_STEPS = 15;
const REACH = 0.8; // modules to either side of an edge
const MODULE_MM = (CARD.corners[0][1][0] - CARD.corners[0][0][0]) / 8;
// For the words while framing, where there is still time to do better than just enough.
const FRAMING = { pxPerMm: 6.5, tiltDeg: 35, blurMm: 0.25, clipped: 0.06 };

self.addEventListener("message", async ({ data: { id, task, ...wanted } }) => {
  try {
    const answer = await ({ look, frame, reduce: Reduce.make })[task](wanted);
    self.postMessage({ id, answer });
  } catch (error) {
    self.postMessage({ id, failed: String(error) });
  }
});

// --- pictures ---------------------------------------------------------------------------

function mirrored(picture) {
  const { width, height } = picture;
  const data = new Uint8Array(width * height);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) data[y * width + x] = picture.data[y * width + width - 1 - x];
  }
  return { ...picture, data };
}

// The steepest step from pixel to pixel as a share of the contrast, in the direction in
// which it is least; null where there is no contrast.
function sharpest(picture) {
  const { width, height } = picture;
  const calm = soft(picture);
  const counts = histogram(calm, 7);
  const contrast = level(counts, 0.98) - level(counts, 0.02);
  if (contrast < 2 * CARD.limits.contrast) return null;
  const steps = [1, width, width + 1, width - 1].map((by, k) => {
    const seen = new Uint32Array(2048);
    const scale = k < 2 ? 8 : 8 / Math.SQRT2;
    let n = 0;
    for (let y = 0; y < height - 1; y += 2) {
      for (let x = 1; x < width - 1; x += 2) {
        const at = y * width + x;
        seen[Math.min(2047, Math.round(Math.abs(calm[at + by] - calm[at]) * scale))]++;
        n++;
      }
    }
    let sum = 0, step = 0;
    while (step < 2047 && (sum += seen[step]) < 0.998 * n) step++;
    return step / 8;
  });
  return Math.min(...steps) / contrast;
}

// A Gaussian of 0.8 pixels.
function soft({ data, width, height }) {
  const kernel = [0.0226, 0.2277, 0.4994, 0.2277, 0.0226];
  const pass = (from, by) => {
    const out = new Float32Array(from.length);
    for (let k = 2 * by; k < from.length - 2 * by; k++) {
      out[k] = kernel[0] * from[k - 2 * by] + kernel[1] * from[k - by] + kernel[2] * from[k]
        + kernel[3] * from[k + by] + kernel[4] * from[k + 2 * by];
    }
    return out;
  };
  return pass(pass(data, 1), width);
}

// --- measuring --------------------------------------------------------------------------

// Standard deviation of the blur in mm across the worse direction: half the way from 16 % to
// 84 % of the rise from a marker's border to the white about it, median of the edges.
function blurOf(picture, markers) {
  const upright = [], level = [];
  for (const marker of markers) {
    marker.corners.forEach(([x0, y0], k) => {
      const [x1, y1] = marker.corners[(k + 1) % 4];
      const length = Math.hypot(x1 - x0, y1 - y0);
      const ux = (x1 - x0) / length, uy = (y1 - y0) / length;
      const across = Markers.area(marker.corners) / length;
      const reach = (REACH * across) / 8;
      const profiles = Array.from({ length: 9 }, (_, j) => {
        const s = (0.15 + (0.7 * j) / 8) * length;
        return Float64Array.from({ length: 2 * SIDE_STEPS + 1 }, (_, i) => {
          const out = reach * (i / SIDE_STEPS - 1);
          return linear(Markers.valueAt(
            picture.data, picture.width, picture.height, x0 + ux * s + uy * out, y0 + uy * s - ux * out));
        });
      });
      const rise = overlaid(profiles);
      const sd = spread(rise);
      if (sd !== null) (Math.abs(uy) > Math.abs(ux) ? upright : level).push(sd * REACH * MODULE_MM);
    });
  }
  const worse = Math.max(...[upright, level].filter((sds) => sds.length)
    .map((sds) => Markers.quantile(sds, 0.5)));
  return worse;
}

// The mean of profiles, each laid with its own middle over zero: an edge not met exactly
// would else look soft.
function overlaid(profiles) {
  const n = profiles[0].length;
  const sum = new Float64Array(n), count = new Float64Array(n);
  for (const profile of profiles) {
    const low = (profile[0] + profile[1] + profile[2]) / 3;
    const high = (profile[n - 1] + profile[n - 2] + profile[n - 3]) / 3;
    if (high - low < 0.005) continue;
    const above = profile.reduce((total, value) => total + (value - low) / (high - low), 0);
    const shift = Math.max(-6, Math.min(6, Math.round(SIDE_STEPS - (n - above) + 0.5)));
    profile.forEach((value, i) => {
      const at = i + shift;
      if (at >= 0 && at < n) { sum[at] += value; count[at]++; }
    });
  }
  const seen = sum.map((value, i) => (count[i] ? value / count[i] : NaN));
  const first = seen.findIndex((value) => !Number.isNaN(value));
  if (first < 0) return seen.fill(0);
  return seen.map((value, i) => (Number.isNaN(value) ? (i < n / 2 ? seen[first] : seen.findLast((v) => !Number.isNaN(v))) : value));
}

function spread(rise) {
  let top = -Infinity;
  const climbing = Array.from(rise, (value) => (top = Math.max(top, value)));
  const low = climbing[0];
  if (top - low < 0.01) return null;
  const where = (share) => {
    const value = low + share * (top - low);
    const k = climbing.findIndex((at) => at >= value);
    if (k <= 0) return 0;
    return k - 1 + (value - climbing[k - 1]) / (climbing[k] - climbing[k - 1]);
  };
  return (where(0.8413) - where(0.1587)) / 2 / SIDE_STEPS;
}

const LINEAR = Float64Array.from({ length: 256 }, (_, code) => {
  const x = code / 255;
  return x <= 0.04045 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4;
});
const linear = (code) => LINEAR[Math.max(0, Math.min(255, Math.round(code)))];

// Of the prints at ``places``: share of clipped values, and light of the green, medians.
function lightOf(picture, pose, places) {
  const clipped = [], green = [];
  const steps = 13;
  for (const [x, y] of places) {
    let top = 0, light = 0;
    for (let k = 0; k < steps * steps; k++) {
      const [u, v] = Markers.apply(
        pose.map,
        x + CARD.sampled * (((k % steps) + 0.5) / steps - 0.5),
        y + CARD.sampled * ((Math.floor(k / steps) + 0.5) / steps - 0.5));
      const at = 4 * (Math.min(picture.height - 1, Math.max(0, Math.round(v))) * picture.width
        + Math.min(picture.width - 1, Math.max(0, Math.round(u))));
      for (let c = 0; c < 3; c++) if (picture.rgba[at + c] >= CARD.limits.clippedCode) top++;
      light += LINEAR[picture.rgba[at + 1]];
    }
    clipped.push(top / (3 * steps * steps));
    green.push(light / (steps * steps));
  }
  return {
    clipped: Markers.quantile(clipped, 0.5),
    light: Markers.quantile(green, 0.5),
    // Of all prints that show a reflection or too much light anywhere.
    share: clipped.filter((value) => value > 0.3).length / clipped.length,
  };
}

// --- before sending ---------------------------------------------------------------------

// {reason, ...what was measured}; the reason is one of the reader's, or null.
async function look({ blob }) {
  const bitmap = await createImageBitmap(blob);
  const full = { width: bitmap.width, height: bitmap.height };
  const long = Math.max(full.width, full.height);
  const divisor = [8, 4, 2, 1].find((d) => d === 1 || long / d >= CARD.limits.workingSide);
  const picture = drawn(bitmap, Math.min(long / divisor, 2 * CARD.limits.workingSide));
  bitmap.close();
  return { ...full, ...judged(picture, long) };
}

function judged(picture, long) {
  const limits = CARD.limits;
  if (long < limits.longSide) return { reason: "image_too_small" };
  const { small, found } = markersOf(picture);
  if (twice(found)) return { reason: "two_cards", markers: found.length };
  const seen = cornersSeen(found);
  if (seen === 4) return ofWholeCard(picture, found);
  const measured = { markers: seen, sharpness: sharpest(small) };
  if (seen === 3) {
    const hidden = fourthIsOut(picture, found);
    return { ...measured, reason: hidden ? "card_part_hidden" : null };
  }
  if (Markers.find(mirrored(small), FIRST_WINDOW).length >= 2) {
    return { ...measured, reason: "card_mirrored" };
  }
  if (measured.sharpness === null) return { ...measured, reason: seen ? null : "no_card" };
  if (measured.sharpness < BEYOND.sharpness * limits.sharpness) return { ...measured, reason: "blurred" };
  return { ...measured, reason: seen ? "card_part_hidden" : "no_card" };
}

function ofWholeCard(picture, found) {
  const limits = CARD.limits;
  const pose = Markers.pose(found);
  if (!pose) return { reason: null };
  const blurMm = blurOf(picture, found);
  const { clipped, light } = lightOf(picture, pose, CARD.lightest);
  const measured = { markers: 4, pxPerMm: pose.pxPerMm, tiltDeg: pose.tiltDeg, blurMm, clipped, light };
  const wrong = [
    ["card_too_tilted", pose.tiltDeg > limits.tiltDeg + BEYOND.tiltDeg],
    ["card_too_small", pose.pxPerMm < BEYOND.pxPerMm * limits.pxPerMm],
    ["blurred", blurMm > BEYOND.blur * limits.blurMm],
    ["clipped", clipped > limits.clipped + BEYOND.clipped],
    ["too_dark", light < BEYOND.light * limits.light],
  ].find(([, is]) => is);
  return { ...measured, reason: wrong ? wrong[0] : null };
}

// One corner of the card at two places, both read without a fault.
function twice(found) {
  return found.some((marker, k) => found.slice(k + 1).some(
    (other) => other.corner === marker.corner && marker.wrong === 0 && other.wrong === 0
      && other.identity === marker.identity));
}

// Three corners tell where the fourth must be: out of the picture, or under something that
// leaves nothing of its border. A drop of blood leaves most of it, and the reader copes.
function fourthIsOut(picture, found) {
  const pose = Markers.pose(found);
  if (!pose) return false;
  const missing = [0, 1, 2, 3].find((corner) => !found.some((marker) => marker.corner === corner));
  const quad = CARD.corners[missing].map(([x, y]) => Markers.apply(pose.map, x, y));
  const out = quad.filter(
    ([x, y]) => x < -1 || y < -1 || x > picture.width || y > picture.height).length;
  if (out) return true;
  const seen = Markers.readSquare(picture.data, picture.width, picture.height, quad);
  return !seen || seen.contrast < limits3 || seen.off > 12;
}
const limits3 = CARD.limits.contrast / 2;

// --- while framing ----------------------------------------------------------------------

// One frame of the camera: what to do better, and how sharp it is, to choose among several.
async function frame({ bitmap }) {
  const picture = drawn(bitmap, CARD.limits.workingSide);
  const long = Math.max(bitmap.width, bitmap.height);
  bitmap.close();
  const small = brightened(smaller(picture, CARD.limits.detectSide));
  const found = Markers.find(small, FIRST_WINDOW).map((marker) => ({
    ...marker,
    corners: marker.corners.map((corner) => corner.map((at) => (at + 0.5) / small.factor - 0.5)),
  }));
  const seen = cornersSeen(found);
  if (seen < 4 || twice(found)) {
    const reason = twice(found) ? "two_cards" : seen ? "card_part_hidden" : "no_card";
    return { reason, markers: seen, sharp: 0 };
  }
  const pose = Markers.pose(found);
  if (!pose) return { reason: "no_card", markers: seen, sharp: 0 };
  const blurMm = blurOf(picture, found);
  const white = lightOf(picture, pose, CARD.lightest);
  const glare = lightOf(picture, pose, CARD.patches);
  const reason = [
    ["card_too_tilted", pose.tiltDeg > FRAMING.tiltDeg],
    ["card_too_small", pose.pxPerMm < FRAMING.pxPerMm],
    ["clipped", white.clipped > CARD.limits.clipped],
    ["glare_on_patches", glare.share > FRAMING.clipped],
    ["too_dark", white.light < 3 * CARD.limits.light],
    ["blurred", blurMm > FRAMING.blurMm],
  ].find(([, is]) => is);
  return {
    reason: reason ? reason[0] : null,
    markers: 4,
    long,
    pxPerMm: pose.pxPerMm,
    tiltDeg: pose.tiltDeg,
    blurMm,
    clipped: white.clipped,
    glare: glare.share,
    light: white.light,
    sharp: 1 / Math.max(blurMm, 1e-3),
  };
}
