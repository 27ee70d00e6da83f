// A photo at the size at which the card is looked for, and where its corner markers are in it.
"use strict";

const Pictures = (() => {
  const FIRST_WINDOW = [23];
  const MORE_WINDOWS = [23, 11, 5];
  const DARK = 140;
  const BRIGHT = 200;
  const MOST_GAIN = 6;

  // The picture at the reader's working scale: colours, and its green as the grey picture.
  function drawn(bitmap, longSide) {
    const factor = Math.min(1, longSide / Math.max(bitmap.width, bitmap.height));
    const width = Math.round(bitmap.width * factor), height = Math.round(bitmap.height * factor);
    const canvas = new OffscreenCanvas(width, height);
    const context = canvas.getContext("2d", { willReadFrequently: true });
    context.imageSmoothingQuality = "high";
    context.drawImage(bitmap, 0, 0, width, height);
    const { data } = context.getImageData(0, 0, width, height);
    const gray = new Uint8Array(width * height);
    for (let k = 0; k < gray.length; k++) gray[k] = data[4 * k + 1];
    return { rgba: data, data: gray, width, height, factor };
  }

  // The mean of blocks, to any smaller size.
  function smaller(picture, longSide) {
    const factor = Math.min(1, longSide / Math.max(picture.width, picture.height));
    if (factor === 1) return { ...picture, factor };
    const width = Math.round(picture.width * factor), height = Math.round(picture.height * factor);
    const sum = new Float32Array(width * height), count = new Uint16Array(width * height);
    for (let y = 0; y < picture.height; y++) {
      const row = Math.min(height - 1, Math.floor(y * factor)) * width;
      for (let x = 0; x < picture.width; x++) {
        const at = row + Math.min(width - 1, Math.floor(x * factor));
        sum[at] += picture.data[y * picture.width + x];
        count[at]++;
      }
    }
    return { data: Uint8Array.from(sum, (value, k) => value / count[k] + 0.5), width, height, factor };
  }

  function histogram(data, step) {
    const counts = new Uint32Array(256);
    for (let k = 0; k < data.length; k += step) counts[data[k]]++;
    return counts;
  }

  function level(counts, share) {
    const total = counts.reduce((a, b) => a + b, 0);
    let seen = 0, k = 0;
    while (k < 255 && (seen += counts[k]) < share * total) k++;
    return k;
  }

  function brightened(picture) {
    const top = level(histogram(picture.data, 7), 0.99);
    if (top >= DARK) return picture;
    const gain = Math.min(BRIGHT / Math.max(top, 1), MOST_GAIN);
    return { ...picture, data: picture.data.map((value) => Math.min(255, value * gain)) };
  }

  // The markers, in pixels of the working picture, by the picture in which most were found.
  function markersOf(picture) {
    const small = brightened(smaller(picture, CARD.limits.detectSide));
    const onWhole = (found, factor) => found.map((marker) => ({
      ...marker,
      corners: marker.corners.map((corner) => corner.map((at) => (at + 0.5) / factor - 0.5)),
    }));
    const first = onWhole(Markers.find(small, FIRST_WINDOW), small.factor);
    if (cornersSeen(first) === 4) return { small, found: first };
    const second = Markers.find(brightened(picture), MORE_WINDOWS);
    const both = [...second];
    for (const marker of first) {
      if (!second.some((other) => other.corner === marker.corner)) both.push(marker);
    }
    return { small, found: both };
  }

  const cornersSeen = (markers) => new Set(markers.map((marker) => marker.corner)).size;

  // All markers of a whole photo, in its own pixels.
  function markersIn(bitmap) {
    const long = Math.max(bitmap.width, bitmap.height);
    const divisor = [8, 4, 2, 1].find((d) => d === 1 || long / d >= CARD.limits.workingSide);
    const picture = drawn(bitmap, Math.min(long / divisor, 2 * CARD.limits.workingSide));
    return markersOf(picture).found.map((marker) => ({
      ...marker,
      corners: marker.corners.map((corner) => corner.map((at) => (at + 0.5) / picture.factor - 0.5)),
    }));
  }

  return { FIRST_WINDOW, drawn, smaller, histogram, level, brightened, markersOf, cornersSeen, markersIn };
})();
