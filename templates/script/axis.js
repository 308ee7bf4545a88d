// An axis: data range and scale on one side, pixels of the drawing on the other.
const forward = (axis, value) => (axis.scale === "log" ? Math.log(value) : value);
const backward = (axis, value) => (axis.scale === "log" ? Math.exp(value) : value);
const ends = (axis, range = axis.range) => range.map((value) => forward(axis, value));
const pixel = (axis, value) => {
  const [low, high] = ends(axis);
  return axis.pixels[0] + (forward(axis, value) - low) / (high - low) * (axis.pixels[1] - axis.pixels[0]);
};
const data = (axis, at) => {
  const [low, high] = ends(axis), part = (at - axis.pixels[0]) / (axis.pixels[1] - axis.pixels[0]);
  return backward(axis, low + part * (high - low));
};
// A number brought between two ends, in whichever order they are given.
const within = (value, [a, b]) => Math.min(Math.max(value, Math.min(a, b)), Math.max(a, b));
// Both ends of a range moved away from a centre, or towards it.
const scaled = (range, factor, centre) => range.map((end) => centre + (end - centre) * factor);
// A new range of an axis, moved into bounds; null where it would be narrower than numbers can tell.
const bounded = (axis, low, high, bounds) => {
  const [least, most] = ends(axis, bounds), width = Math.min(high - low, most - least);
  if (!(width > 1e-7 * (most - least))) return null;
  const from = Math.min(Math.max(low, least), most - width);
  const exact = (value, end, at) => (value === end ? at : backward(axis, value));
  return [exact(from, least, bounds[0]), exact(from + width, most, bounds[1])];
};
const niceTicks = (axis, most) => {
  const [low, high] = axis.range;
  if (axis.scale === "log" && high / low > 4) {
    for (const mantissas of [[1, 2, 5], [1, 3], [1]]) {
      const ticks = [];
      for (let d = Math.floor(Math.log10(low)); d <= Math.ceil(Math.log10(high)); d += 1) {
        for (const m of mantissas) { const t = m * 10 ** d; if (t >= low * 0.9999 && t <= high * 1.0001) ticks.push(t); }
      }
      if (ticks.length <= most && ticks.length > 1) return ticks;
    }
  }
  const rough = (high - low) / (most - 1), power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 2.5, 5, 10].map((m) => m * power).find((s) => s >= rough);
  const ticks = [];
  for (let k = Math.ceil(low / step); k * step <= high + step * 1e-9; k += 1) ticks.push(k * step);
  return ticks;
};

// The row of a curve that is nearest to a place, by halving where its abscissa rises, else one by one.
const rising = (xs) => { for (let i = 1; i < xs.length; i += 1) if (!(xs[i] >= xs[i - 1])) return false; return true; };
const nearest = (line, at) => {
  const { xs, ys } = line;
  const off = (i) => (Number.isFinite(ys[i]) ? Math.abs(xs[i] - at) : Infinity);
  let low = 0, high = xs.length - 1;
  if (line.rising) {
    while (high - low > 1) { const middle = (low + high) >> 1; if (xs[middle] <= at) low = middle; else high = middle; }
    while (low > 0 && !Number.isFinite(ys[low])) low -= 1;
    while (high < xs.length - 1 && !Number.isFinite(ys[high])) high += 1;
    return off(high) < off(low) ? high : low;
  }
  let best = 0;
  for (let i = 1; i < xs.length; i += 1) if (off(i) < off(best)) best = i;
  return best;
};
// Between the points of a line that is no row of a log: straight on the axes as printed.
const between = ({ xs, ys }, at, panel) => {
  const fx = { scale: panel.xscale }, fy = { scale: panel.home.yscale };
  for (let i = 1; i < xs.length; i += 1) {
    if (!(Math.min(xs[i - 1], xs[i]) <= at && at <= Math.max(xs[i - 1], xs[i]))) continue;
    if (xs[i - 1] === xs[i]) return ys[i];
    const part = (forward(fx, at) - forward(fx, xs[i - 1])) / (forward(fx, xs[i]) - forward(fx, xs[i - 1]));
    return backward(fy, forward(fy, ys[i - 1]) + part * (forward(fy, ys[i]) - forward(fy, ys[i - 1])));
  }
  return NaN;
};
