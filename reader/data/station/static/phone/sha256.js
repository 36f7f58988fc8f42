// SHA-256 (FIPS 180-4, 6.2): crypto.subtle is not there on plain HTTP, and a photo must be named by its bytes there too.
const primes = [];
for (let n = 2; primes.length < 64; n += 1) if (primes.every((p) => n % p)) primes.push(n);
const bits = (x) => ((x - Math.floor(x)) * 2 ** 32) | 0;
const K = Int32Array.from(primes, (p) => bits(Math.cbrt(p))); // 4.2.2: of the cube roots of the first 64 primes
const START = primes.slice(0, 8).map((p) => bits(Math.sqrt(p))); // 5.3.3: of the square roots of the first 8
const AT_ONCE = 4096; // blocks between two pauses, so that the page stays awake

function block(state, view, at, w) {
  for (let t = 0; t < 16; t += 1) w[t] = view.getInt32(at + 4 * t);
  for (let t = 16; t < 64; t += 1) {
    const x = w[t - 15], y = w[t - 2];
    const s0 = ((x >>> 7) | (x << 25)) ^ ((x >>> 18) | (x << 14)) ^ (x >>> 3);
    const s1 = ((y >>> 17) | (y << 15)) ^ ((y >>> 19) | (y << 13)) ^ (y >>> 10);
    w[t] = (w[t - 16] + s0 + w[t - 7] + s1) | 0;
  }
  let [a, b, c, d, e, f, g, h] = state;
  for (let t = 0; t < 64; t += 1) {
    const s1 = ((e >>> 6) | (e << 26)) ^ ((e >>> 11) | (e << 21)) ^ ((e >>> 25) | (e << 7));
    const one = (h + s1 + ((e & f) ^ (~e & g)) + K[t] + w[t]) | 0;
    const s0 = ((a >>> 2) | (a << 30)) ^ ((a >>> 13) | (a << 19)) ^ ((a >>> 22) | (a << 10));
    const two = (s0 + ((a & b) ^ (a & c) ^ (b & c))) | 0;
    h = g; g = f; f = e; e = (d + one) | 0; d = c; c = b; b = a; a = (one + two) | 0;
  }
  [a, b, c, d, e, f, g, h].forEach((word, k) => { state[k] = (state[k] + word) | 0; });
}

/** The SHA-256 of an ArrayBuffer, as 64 hexadecimal digits. */
export async function sha256(buffer) {
  const size = buffer.byteLength, whole = size - (size % 64);
  const state = Int32Array.from(START), w = new Int32Array(64), view = new DataView(buffer);
  for (let at = 0; at < whole; at += 64) {
    block(state, view, at, w);
    if ((at / 64) % AT_ONCE === AT_ONCE - 1) await new Promise((done) => setTimeout(done));
  }
  const rest = new Uint8Array(size - whole < 56 ? 64 : 128);
  rest.set(new Uint8Array(buffer, whole));
  rest[size - whole] = 0x80;
  const end = new DataView(rest.buffer);
  end.setUint32(rest.length - 8, Math.floor(size / 2 ** 29));
  end.setUint32(rest.length - 4, (size * 8) >>> 0);
  for (let at = 0; at < rest.length; at += 64) block(state, end, at, w);
  return Array.from(state, (word) => (word >>> 0).toString(16).padStart(8, "0")).join("");
}
