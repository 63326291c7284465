// Windows of traces as they come from the server: see web/traces.py for the layout.

export function decode(buffer) {
  const bytes = new DataView(buffer);
  if (bytes.getUint32(0, false) !== 0x534c5732) throw new TypeError("not a window of traces");
  const headerLength = bytes.getUint32(4, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 8, headerLength)));
  const series = new Map();
  const times = [];
  let offset = 8 + headerLength;
  for (const { channel, n, times_of: place, values, hidden, thinned } of header.series) {
    const time = place === null ? new Float64Array(buffer, offset, n) : times[place];
    times.push(time);
    if (place === null) offset += 8 * n;
    let value = null;
    if (values) {
      value = new Float32Array(buffer, offset, n);
      offset += Math.ceil((4 * n) / 8) * 8;
    }
    series.set(channel, { time, value, hidden, thinned });
  }
  return { from: header.from_s, to: header.to_s, series };
}

/** Index of the last time at or before `at`, or -1. */
export function indexBefore(time, at) {
  let low = 0;
  let high = time.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (time[middle] <= at) low = middle + 1;
    else high = middle;
  }
  return low - 1;
}
