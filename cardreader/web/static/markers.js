// Finding the card's corner markers in a grey picture, and what follows from where they are.
//
// Dark outlines with four corners are proposed, and those kept whose squares bear one of
// the card's codes; as the reader does, but in a browser and on a reduced picture.
"use strict";

const Markers = (() => {
  const MODULES = 8;
  const THRESHOLD = 7; // grey levels darker than the surround
  const LEAST_PERIMETER = 0.04; // of the long side
  const BORDER_BLACK = 0.85;
  const SHARPEN = 0.7;

  // --- codes ----------------------------------------------------------------------------

  // Of every identity and turn the 36 bits as two halves of 18.
  const codes = (() => {
    const n = CARD.codes.length / 9;
    const high = new Int32Array(4 * n);
    const low = new Int32Array(4 * n);
    for (let id = 0; id < n; id++) {
      let bits = [...CARD.codes.slice(9 * id, 9 * id + 9)]
        .flatMap((digit) => [8, 4, 2, 1].map((place) => (parseInt(digit, 16) & place ? 1 : 0)));
      for (let turn = 0; turn < 4; turn++) {
        for (let k = 0; k < 18; k++) {
          high[4 * id + turn] = (high[4 * id + turn] << 1) | bits[k];
          low[4 * id + turn] = (low[4 * id + turn] << 1) | bits[18 + k];
        }
        bits = bits.map((_, k) => bits[6 * (k % 6) + 5 - Math.floor(k / 6)]);
      }
    }
    return { high, low };
  })();

  function ones(x) {
    x -= (x >> 1) & 0x55555555;
    x = (x & 0x33333333) + ((x >> 2) & 0x33333333);
    return (((x + (x >> 4)) & 0x0f0f0f0f) * 0x01010101) >> 24;
  }

  function nearestCode(high, low) {
    let best = { wrong: 37, identity: -1, turn: 0 };
    for (let k = 0; k < codes.high.length; k++) {
      const wrong = ones(codes.high[k] ^ high) + ones(codes.low[k] ^ low);
      if (wrong < best.wrong) best = { wrong, identity: k >> 2, turn: k & 3 };
    }
    return best;
  }

  // --- outlines -------------------------------------------------------------------------

  // 1 where a pixel is darker than the mean of the square about it.
  function darker(gray, width, height, window) {
    const stride = width + 1;
    const sums = new Uint32Array(stride * (height + 1));
    for (let y = 0; y < height; y++) {
      let row = 0;
      for (let x = 0; x < width; x++) {
        row += gray[y * width + x];
        sums[(y + 1) * stride + x + 1] = sums[y * stride + x + 1] + row;
      }
    }
    const half = window >> 1;
    const dark = new Uint8Array(width * height);
    for (let y = 1; y < height - 1; y++) {
      const y0 = Math.max(0, y - half), y1 = Math.min(height, y + half + 1);
      for (let x = 1; x < width - 1; x++) {
        const x0 = Math.max(0, x - half), x1 = Math.min(width, x + half + 1);
        const area = (x1 - x0) * (y1 - y0);
        const sum = sums[y1 * stride + x1] - sums[y0 * stride + x1]
          - sums[y1 * stride + x0] + sums[y0 * stride + x0];
        if ((gray[y * width + x] + THRESHOLD) * area <= sum) dark[y * width + x] = 1;
      }
    }
    return dark;
  }

  // Outer borders of dark regions, each an array of x, y, x, y ... in the order of the clock.
  // The outermost pixels of the picture are never dark, so that no step leads out of it.
  function outlines(dark, width, height, least) {
    const steps = [1, width + 1, width, width - 1, -1, -width - 1, -width, 1 - width];
    const found = [];
    for (let start = width; start < width * (height - 1); start++) {
      if (dark[start] !== 1 || dark[start - 1]) continue;
      const border = [];
      let at = start;
      let from = 4;
      let first = -1;
      for (;;) {
        dark[at] = 2;
        border.push(at);
        let turn = 0;
        while (turn < 8 && !dark[at + steps[(from + 1 + turn) & 7]]) turn++;
        if (turn === 8) break;
        const step = (from + 1 + turn) & 7;
        if (at === start && border.length > 1 && step === first) break;
        if (first < 0) first = step;
        at += steps[step];
        from = (step + 4) & 7;
      }
      if (border.length >= least) found.push(border);
    }
    return found;
  }

  function corners4(border, width) {
    const n = border.length;
    const xs = new Float64Array(n), ys = new Float64Array(n);
    let cx = 0, cy = 0;
    for (let k = 0; k < n; k++) {
      xs[k] = border[k] % width;
      ys[k] = Math.floor(border[k] / width);
      cx += xs[k] / n;
      cy += ys[k] / n;
    }
    const farthest = (measure) => {
      let best = 0, most = -Infinity;
      for (let k = 0; k < n; k++) {
        const value = measure(xs[k], ys[k]);
        if (value > most) { most = value; best = k; }
      }
      return best;
    };
    const a = farthest((x, y) => (x - cx) ** 2 + (y - cy) ** 2);
    const c = farthest((x, y) => (x - xs[a]) ** 2 + (y - ys[a]) ** 2);
    const side = (x, y) => (xs[c] - xs[a]) * (y - ys[a]) - (ys[c] - ys[a]) * (x - xs[a]);
    const b = farthest(side);
    const d = farthest((x, y) => -side(x, y));
    const order = [a, b, c, d].sort((p, q) => p - q);
    if (new Set(order).size < 4) return null;
    const quad = order.map((k) => [xs[k], ys[k]]);
    const area = signedArea(quad);
    if (area <= 0) return null; // the border of a hole
    let whole = 0;
    for (let k = 0; k < n; k++) {
      const next = (k + 1) % n;
      whole += (xs[k] * ys[next] - xs[next] * ys[k]) / 2;
    }
    if (whole < 0.8 * area || whole > 1.2 * area) return null;
    return sides(xs, ys, order, quad);
  }

  // Corners where lines through the four sides meet; the outline's pixels are inside by half.
  function sides(xs, ys, order, quad) {
    const n = xs.length;
    const lines = order.map((start, k) => {
      const length = ((order[(k + 1) % 4] - start + n) % n) || n;
      const from = Math.ceil(0.15 * length), to = Math.floor(0.85 * length);
      let m = 0, sx = 0, sy = 0, sxx = 0, syy = 0, sxy = 0;
      for (let j = from; j <= to; j++) {
        const x = xs[(start + j) % n], y = ys[(start + j) % n];
        m++; sx += x; sy += y; sxx += x * x; syy += y * y; sxy += x * y;
      }
      if (m < 3) return null;
      sx /= m; sy /= m;
      const vxx = sxx / m - sx * sx, vyy = syy / m - sy * sy, vxy = sxy / m - sx * sy;
      const angle = 0.5 * Math.atan2(2 * vxy, vxx - vyy);
      const spread = (vxx + vyy) / 2 - Math.hypot((vxx - vyy) / 2, vxy);
      return { x: sx, y: sy, dx: Math.cos(angle), dy: Math.sin(angle), off: Math.sqrt(Math.max(spread, 0)) };
    });
    if (lines.some((line) => !line)) return quad;
    const exact = quad.map((corner, k) => {
      const p = lines[(k + 3) % 4], q = lines[k];
      const cross = p.dx * q.dy - p.dy * q.dx;
      if (Math.abs(cross) < 0.2) return corner;
      const t = ((q.x - p.x) * q.dy - (q.y - p.y) * q.dx) / cross;
      const found = [p.x + t * p.dx, p.y + t * p.dy];
      return Math.hypot(found[0] - corner[0], found[1] - corner[1]) < 6 ? found : corner;
    });
    return exact;
  }

  function signedArea(quad) {
    let sum = 0;
    quad.forEach(([x, y], k) => {
      const [u, v] = quad[(k + 1) % 4];
      sum += (x * v - u * y) / 2;
    });
    return sum;
  }

  // --- reading --------------------------------------------------------------------------

  function cellsOf(gray, width, height, quad) {
    const map = homography(
      [[0, 0], [MODULES, 0], [MODULES, MODULES], [0, MODULES]], quad);
    if (!map) return null;
    const cells = new Float64Array(MODULES * MODULES);
    for (let row = 0; row < MODULES; row++) {
      for (let column = 0; column < MODULES; column++) {
        let sum = 0;
        for (let j = 0; j < 9; j++) {
          const [x, y] = apply(map, column + 0.3 + 0.2 * (j % 3), row + 0.3 + 0.2 * Math.floor(j / 3));
          sum += valueAt(gray, width, height, x, y);
        }
        cells[row * MODULES + column] = sum / 9;
      }
    }
    return cells;
  }

  function valueAt(gray, width, height, x, y) {
    x = Math.min(Math.max(x, 0), width - 1.001);
    y = Math.min(Math.max(y, 0), height - 1.001);
    const i = Math.floor(x), j = Math.floor(y);
    const u = x - i, v = y - j, at = j * width + i;
    return (gray[at] * (1 - u) + gray[at + 1] * u) * (1 - v)
      + (gray[at + width] * (1 - u) + gray[at + width + 1] * u) * v;
  }

  // Undoes some of the light that blur spills from module to module.
  function sharpened(cells) {
    const surround = Math.max(...cells);
    const at = (row, column) =>
      row < 0 || column < 0 || row >= MODULES || column >= MODULES
        ? surround : cells[row * MODULES + column];
    return cells.map((value, k) => {
      const row = Math.floor(k / MODULES), column = k % MODULES;
      const beside = at(row - 1, column) + at(row + 1, column) + at(row, column - 1) + at(row, column + 1);
      return value + SHARPEN * (value - beside / 4);
    });
  }

  // How many of the border's 28 modules aren't black, and the nearest code of the inner 36.
  function readSquare(gray, width, height, quad) {
    const raw = cellsOf(gray, width, height, quad);
    if (!raw) return null;
    const cells = sharpened(raw);
    const border = [], inner = [];
    cells.forEach((value, k) => {
      const row = Math.floor(k / MODULES), column = k % MODULES;
      const edge = row === 0 || column === 0 || row === MODULES - 1 || column === MODULES - 1;
      (edge ? border : inner).push(value);
    });
    const black = quantile(border, 0.5), white = quantile(inner, 0.85);
    const middle = (black + white) / 2;
    let high = 0, low = 0;
    inner.forEach((value, k) => {
      const bit = value > middle ? 1 : 0;
      if (k < 18) high = (high << 1) | bit;
      else low = (low << 1) | bit;
    });
    return { contrast: white - black, off: border.filter((value) => value >= middle).length, high, low };
  }

  function quantile(values, share) {
    const sorted = Float64Array.from(values).sort();
    const at = share * (sorted.length - 1), k = Math.floor(at);
    return sorted[k] + (at - k) * ((sorted[k + 1] ?? sorted[k]) - sorted[k]);
  }

  // All markers of a grey picture {data, width, height}: identity, corner of the card and
  // corners clockwise from the marker's own upper left, in its pixels.
  function find({ data, width, height }, windows) {
    const found = [];
    for (const window of windows) {
      const dark = darker(data, width, height, window);
      const least = LEAST_PERIMETER * Math.max(width, height);
      for (const border of outlines(dark, width, height, least)) {
        const quad = corners4(border, width);
        if (!quad || Math.sqrt(signedArea(quad)) < least / 5) continue;
        const seen = readSquare(data, width, height, quad);
        if (!seen || seen.contrast < CARD.limits.contrast || seen.off > (1 - BORDER_BLACK) * 28) continue;
        const { wrong, identity, turn } = nearestCode(seen.high, seen.low);
        if (wrong > CARD.limits.wrongBits) continue;
        const corners = quad.map((_, k) => quad[(k + 4 - turn) % 4]);
        keep(found, { identity, corner: Math.floor(identity / CARD.base), corners, wrong });
      }
      if (new Set(found.map((marker) => marker.corner)).size === 4) break;
    }
    return found;
  }

  function keep(found, marker) {
    const middle = (corners) => [0, 1].map((axis) => corners.reduce((sum, c) => sum + c[axis] / 4, 0));
    const [x, y] = middle(marker.corners);
    const side = Math.sqrt(signedArea(marker.corners));
    const same = found.findIndex((other) => {
      const [u, v] = middle(other.corners);
      return other.identity === marker.identity && Math.hypot(u - x, v - y) < side / 2;
    });
    if (same < 0) found.push(marker);
    else if (marker.wrong < found[same].wrong) found[same] = marker;
  }

  // --- geometry -------------------------------------------------------------------------

  // The map, nine numbers, that takes points to others in the sense of least squares.
  function homography(from, to) {
    const n = 8;
    const a = Array.from({ length: n }, () => new Float64Array(n + 1));
    const add = (row, value) => {
      for (let i = 0; i < n; i++) {
        for (let j = 0; j < n; j++) a[i][j] += row[i] * row[j];
        a[i][n] += row[i] * value;
      }
    };
    // Both sides about 1 in size, or the squares would lose their digits.
    const norm = (points) => {
      const mx = points.reduce((s, p) => s + p[0], 0) / points.length;
      const my = points.reduce((s, p) => s + p[1], 0) / points.length;
      const size = points.reduce((s, p) => s + Math.hypot(p[0] - mx, p[1] - my), 0) / points.length || 1;
      return { mx, my, size, of: ([x, y]) => [(x - mx) / size, (y - my) / size] };
    };
    const f = norm(from), t = norm(to);
    from.forEach((point, k) => {
      const [x, y] = f.of(point), [u, v] = t.of(to[k]);
      add([x, y, 1, 0, 0, 0, -u * x, -u * y], u);
      add([0, 0, 0, x, y, 1, -v * x, -v * y], v);
    });
    for (let i = 0; i < n; i++) {
      let pivot = i;
      for (let r = i + 1; r < n; r++) if (Math.abs(a[r][i]) > Math.abs(a[pivot][i])) pivot = r;
      if (Math.abs(a[pivot][i]) < 1e-12) return null;
      [a[i], a[pivot]] = [a[pivot], a[i]];
      for (let r = 0; r < n; r++) {
        if (r === i) continue;
        const share = a[r][i] / a[i][i];
        for (let c = i; c <= n; c++) a[r][c] -= share * a[i][c];
      }
    }
    const h = a.map((row, i) => row[n] / row[i]);
    const unit = [...h, 1];
    const back = [t.size, 0, t.mx, 0, t.size, t.my, 0, 0, 1];
    const there = [1 / f.size, 0, -f.mx / f.size, 0, 1 / f.size, -f.my / f.size, 0, 0, 1];
    return product(product(back, unit), there);
  }

  function product(a, b) {
    const out = new Array(9).fill(0);
    for (let i = 0; i < 3; i++) {
      for (let j = 0; j < 3; j++) {
        for (let k = 0; k < 3; k++) out[3 * i + j] += a[3 * i + k] * b[3 * k + j];
      }
    }
    return out;
  }

  function apply(h, x, y) {
    const w = h[6] * x + h[7] * y + h[8];
    return [(h[0] * x + h[1] * y + h[2]) / w, (h[3] * x + h[4] * y + h[5]) / w];
  }

  // Where the card lies: the map from its millimetres, pixels a millimetre in the shorter
  // direction at its middle, and the tilt in degrees.
  function pose(markers) {
    const from = markers.flatMap((marker) => CARD.corners[marker.corner]);
    const to = markers.flatMap((marker) => marker.corners);
    const map = homography(from, to);
    if (!map) return null;
    const [x, y] = [CARD.width / 2, CARD.height / 2];
    const w = map[6] * x + map[7] * y + map[8];
    const [u, v] = apply(map, x, y);
    const a = (map[0] - u * map[6]) / w, b = (map[1] - u * map[7]) / w;
    const c = (map[3] - v * map[6]) / w, d = (map[4] - v * map[7]) / w;
    const sum = (a * a + b * b + c * c + d * d) / 2;
    const root = Math.sqrt(Math.max(sum * sum - (a * d - b * c) ** 2, 0));
    const longer = Math.sqrt(sum + root), shorter = Math.sqrt(Math.max(sum - root, 0));
    return { map, pxPerMm: shorter, tiltDeg: (Math.acos(Math.min(1, shorter / longer)) * 180) / Math.PI };
  }

  return { find, pose, apply, readSquare, valueAt, quantile, area: signedArea };
})();
