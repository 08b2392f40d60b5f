"use strict";
// SHA-256 of a picture's bytes (FIPS 180-4, sections 4.1.2, 4.2.2, 5.1.1 and 6.2): written out because a browser's own is not
// there for every page that is opened from a file.
const sha256 = (() => {
  const primes = [];
  for (let n = 2; primes.length < 64; n += 1) if (primes.every((p) => n % p)) primes.push(n);
  // The first 32 bits of the fractional parts of roots of the first primes (4.2.2, 5.3.3).
  const fraction = (root) => Math.floor((root - Math.floor(root)) * 2 ** 32) | 0;
  const K = primes.map((p) => fraction(Math.cbrt(p)));
  const START = primes.slice(0, 8).map((p) => fraction(Math.sqrt(p)));
  const turn = (x, n) => (x >>> n) | (x << (32 - n));

  function padded(bytes) {
    const whole = new Uint8Array(64 * Math.ceil((bytes.length + 9) / 64));
    whole.set(bytes);
    whole[bytes.length] = 0x80;
    const view = new DataView(whole.buffer);
    view.setUint32(whole.length - 8, Math.floor(bytes.length / 2 ** 29));
    view.setUint32(whole.length - 4, (bytes.length << 3) >>> 0);
    return view;
  }

  return (bytes) => {
    const view = padded(bytes);
    const hash = Int32Array.from(START);
    const w = new Int32Array(64);
    for (let block = 0; block < view.byteLength; block += 64) {
      for (let t = 0; t < 16; t += 1) w[t] = view.getInt32(block + 4 * t);
      for (let t = 16; t < 64; t += 1) {
        const s0 = turn(w[t - 15], 7) ^ turn(w[t - 15], 18) ^ (w[t - 15] >>> 3);
        const s1 = turn(w[t - 2], 17) ^ turn(w[t - 2], 19) ^ (w[t - 2] >>> 10);
        w[t] = (w[t - 16] + s0 + w[t - 7] + s1) | 0;
      }
      let [a, b, c, d, e, f, g, h] = hash;
      for (let t = 0; t < 64; t += 1) {
        const t1 = (h + (turn(e, 6) ^ turn(e, 11) ^ turn(e, 25)) + ((e & f) ^ (~e & g)) + K[t] + w[t]) | 0;
        const t2 = ((turn(a, 2) ^ turn(a, 13) ^ turn(a, 22)) + ((a & b) ^ (a & c) ^ (b & c))) | 0;
        [h, g, f, e, d, c, b, a] = [g, f, e, (d + t1) | 0, c, b, a, (t1 + t2) | 0];
      }
      [a, b, c, d, e, f, g, h].forEach((part, i) => { hash[i] += part; });
    }
    return [...hash].map((part) => (part >>> 0).toString(16).padStart(8, "0")).join("");
  };
})();
