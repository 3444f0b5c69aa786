/**
 * The inner loops of scoring in AssemblyScript, two lanes at a time. `../plain.ts` has the same loops in
 * plain TypeScript, in the same order, with the same results to the last bit; what each loop does
 * is told in `../kernel.ts`. Here are only the lanes.
 *
 * Places are counted in doubles from the start of the memory. There is no allocation and no state.
 */

function at(place: i32): usize {
  return (<usize>place) << 3;
}

/** Both lanes: what stands at a place and right after it. */
function two(address: usize): v128 {
  return v128.load(address);
}

/** One value in both lanes. */
function same(address: usize): v128 {
  return v128.load_splat<f64>(address);
}

function both(value: f64): v128 {
  return f64x2.splat(value);
}

/** One value from each of two addresses. */
function pair(first: usize, second: usize): v128 {
  return v128.load_lane<f64>(second, same(first), 1);
}

function lanes(sum: v128): f64 {
  return f64x2.extract_lane(sum, 0) + f64x2.extract_lane(sum, 1);
}

export function transform(from: i32, spare: i32, turns: i32, size: i32): i32 {
  let x = at(from);
  let y = at(spare);
  const w = at(turns);
  let stride: i32 = 1;
  let n = size;
  for (; n >= 4; n >>= 2) {
    fours(x, y, w, n, stride);
    const read = x;
    x = y;
    y = read;
    stride <<= 2;
  }
  if (n == 1) return <i32>(x >> 3);
  const far = (<usize>stride) << 5;
  for (const end = x + far; x < end; x += 32, y += 32) {
    const ar = two(x);
    const ai = two(x + 16);
    const br = two(x + far);
    const bi = two(x + far + 16);
    v128.store(y, f64x2.add(ar, br));
    v128.store(y + 16, f64x2.add(ai, bi));
    v128.store(y + far, f64x2.sub(ar, br));
    v128.store(y + far + 16, f64x2.sub(ai, bi));
  }
  return <i32>((y - far) >> 3);
}

/** One pass of butterflies of four. */
function fours(x: usize, y: usize, w: usize, n: i32, stride: i32): void {
  const quarter = n >> 2;
  const row = (<usize>stride) << 5;
  const far = row * <usize>quarter;
  for (let p = 0; p < quarter; p++) {
    const turn = (<usize>(p * stride)) << 4;
    const w1r = same(w + turn);
    const w1i = same(w + turn + 8);
    const w2r = same(w + 2 * turn);
    const w2i = same(w + 2 * turn + 8);
    const w3r = same(w + 3 * turn);
    const w3i = same(w + 3 * turn + 8);
    for (const end = x + row; x < end; x += 32, y += 32) {
      const ar = two(x);
      const ai = two(x + 16);
      const br = two(x + far);
      const bi = two(x + far + 16);
      const cr = two(x + 2 * far);
      const ci = two(x + 2 * far + 16);
      const dr = two(x + 3 * far);
      const di = two(x + 3 * far + 16);
      const acr = f64x2.add(ar, cr);
      const aci = f64x2.add(ai, ci);
      const bdr = f64x2.add(br, dr);
      const bdi = f64x2.add(bi, di);
      const amcr = f64x2.sub(ar, cr);
      const amci = f64x2.sub(ai, ci);
      const bmdr = f64x2.sub(br, dr);
      const bmdi = f64x2.sub(bi, di);
      v128.store(y, f64x2.add(acr, bdr));
      v128.store(y + 16, f64x2.add(aci, bdi));
      turned(y + row, w1r, w1i, f64x2.add(amcr, bmdi), f64x2.sub(amci, bmdr));
      turned(y + 2 * row, w2r, w2i, f64x2.sub(acr, bdr), f64x2.sub(aci, bdi));
      turned(y + 3 * row, w3r, w3i, f64x2.sub(amcr, bmdi), f64x2.add(amci, bmdr));
    }
    y += 3 * row;
  }
}

/** Stores (re + j·im) · (wr + j·wi). */
function turned(y: usize, wr: v128, wi: v128, re: v128, im: v128): void {
  v128.store(y, f64x2.sub(f64x2.mul(wr, re), f64x2.mul(wi, im)));
  v128.store(y + 16, f64x2.add(f64x2.mul(wr, im), f64x2.mul(wi, re)));
}

export function interleave(z: i32, x: i32, y: i32, n: i32, size: i32): void {
  const to = at(z);
  const first = at(x);
  const second = at(y);
  for (let i: usize = 0; i < <usize>n; i++) {
    v128.store(to + (i << 5), pair(first + (i << 3), second + (i << 3)));
  }
  for (let i = <usize>n; i < <usize>size; i++) v128.store(to + (i << 5), both(0));
}

export function separate(z: i32, x: i32, y: i32, n: i32): void {
  const from = at(z);
  const first = at(x);
  const second = at(y);
  for (let i: usize = 0; i < <usize>n; i++) {
    const both = two(from + (i << 5));
    v128.store_lane<f64>(first + (i << 3), both, 0);
    v128.store_lane<f64>(second + (i << 3), both, 1);
  }
}

export function weigh(z: i32, weights: i32, n: i32): void {
  const to = at(z);
  const w = at(weights);
  let even = both(0);
  let odd = both(0);
  let i: usize = 0;
  for (; i + 1 < <usize>n; i += 2) {
    even = f64x2.add(even, two(to + (i << 5)));
    odd = f64x2.add(odd, two(to + (i << 5) + 32));
  }
  if (i < <usize>n) even = f64x2.add(even, two(to + (i << 5)));
  const mean = f64x2.div(f64x2.add(even, odd), both(<f64>n));
  for (i = 0; i < <usize>n; i++) {
    const here = to + (i << 5);
    v128.store(here, f64x2.mul(same(w + (i << 3)), f64x2.sub(two(here), mean)));
  }
}

export function gather(sums: i32, z: i32, size: i32): void {
  let to = at(sums);
  let from = at(z);
  const sign = f64x2(1, -1);
  for (const end = from + ((<usize>size) << 5); from < end; from += 32, to += 32) {
    const re = two(from);
    const im = two(from + 16);
    const power = f64x2.add(f64x2.mul(re, re), f64x2.mul(im, im));
    v128.store(to, f64x2.add(two(to), power));
    const xr = v128.shuffle<f64>(re, re, 0, 0);
    const xi = v128.shuffle<f64>(im, im, 0, 0);
    const y = v128.shuffle<f64>(re, im, 1, 3);
    const turned = f64x2.mul(sign, v128.shuffle<f64>(im, re, 1, 3));
    const cross = f64x2.add(f64x2.mul(xr, y), f64x2.mul(xi, turned));
    v128.store(to + 16, f64x2.add(two(to + 16), cross));
  }
}

export function multiply(z: i32, spectrum: i32, size: i32): void {
  let to = at(z);
  let h = at(spectrum);
  for (const end = to + ((<usize>size) << 5); to < end; to += 32, h += 16) {
    const re = two(to);
    const im = two(to + 16);
    const hr = same(h);
    const hi = same(h + 8);
    v128.store(to, f64x2.add(f64x2.mul(hr, im), f64x2.mul(hi, re)));
    v128.store(to + 16, f64x2.sub(f64x2.mul(hr, re), f64x2.mul(hi, im)));
  }
}

export function moments(out: i32, x: i32, y: i32, n: i32): void {
  const to = at(out);
  const first = at(x);
  const second = at(y);
  const even = (<usize>(n & ~1)) << 3;
  const tail = (n & 1) != 0;
  let sx = both(0);
  let sy = both(0);
  for (let i: usize = 0; i < even; i += 16) {
    sx = f64x2.add(sx, two(first + i));
    sy = f64x2.add(sy, two(second + i));
  }
  const mx = (lanes(sx) + (tail ? load<f64>(first + even) : 0)) / <f64>n;
  const my = (lanes(sy) + (tail ? load<f64>(second + even) : 0)) / <f64>n;
  let xx = both(0);
  let yy = both(0);
  let xy = both(0);
  for (let i: usize = 0; i < even; i += 16) {
    const dx = f64x2.sub(two(first + i), both(mx));
    const dy = f64x2.sub(two(second + i), both(my));
    xx = f64x2.add(xx, f64x2.mul(dx, dx));
    yy = f64x2.add(yy, f64x2.mul(dy, dy));
    xy = f64x2.add(xy, f64x2.mul(dx, dy));
  }
  const dx = tail ? load<f64>(first + even) - mx : 0;
  const dy = tail ? load<f64>(second + even) - my : 0;
  store<f64>(to, mx);
  store<f64>(to + 8, my);
  store<f64>(to + 16, lanes(xx) + dx * dx);
  store<f64>(to + 24, lanes(yy) + dy * dy);
  store<f64>(to + 32, lanes(xy) + dx * dy);
}

export function project(out: i32, y: i32, table: i32, block: i32, given: i32): void {
  const rows = (<usize>block) << 3;
  const g = at(given);
  const c0 = same(g);
  const s0 = same(g + 8);
  const a = same(g + 16);
  const b = same(g + 24);
  const offset = same(g + 32);
  const t0 = same(g + 40);
  let cc = both(0);
  let cs = both(0);
  let ct = both(0);
  let c1 = both(0);
  let ss = both(0);
  let st = both(0);
  let s1 = both(0);
  let tt = both(0);
  let t1 = both(0);
  let rc = both(0);
  let rs = both(0);
  let rt = both(0);
  let r1 = both(0);
  let rr = both(0);
  let row = at(table);
  let from = at(y);
  for (const end = from + rows; from < end; from += 16, row += 16) {
    const c = two(row);
    const s = two(row + rows);
    const one = two(row + 2 * rows);
    const cos = f64x2.sub(f64x2.mul(c0, c), f64x2.mul(s0, s));
    const sin = f64x2.add(f64x2.mul(s0, c), f64x2.mul(c0, s));
    const slope = f64x2.sub(f64x2.mul(b, cos), f64x2.mul(a, sin));
    const turn = f64x2.mul(f64x2.add(t0, two(row + 3 * rows)), slope);
    const sine = f64x2.add(f64x2.mul(a, cos), f64x2.mul(b, sin));
    const rest = f64x2.sub(f64x2.sub(two(from), sine), f64x2.mul(offset, one));
    cc = f64x2.add(cc, f64x2.mul(cos, cos));
    cs = f64x2.add(cs, f64x2.mul(cos, sin));
    ct = f64x2.add(ct, f64x2.mul(cos, turn));
    c1 = f64x2.add(c1, cos);
    ss = f64x2.add(ss, f64x2.mul(sin, sin));
    st = f64x2.add(st, f64x2.mul(sin, turn));
    s1 = f64x2.add(s1, sin);
    tt = f64x2.add(tt, f64x2.mul(turn, turn));
    t1 = f64x2.add(t1, turn);
    rc = f64x2.add(rc, f64x2.mul(rest, cos));
    rs = f64x2.add(rs, f64x2.mul(rest, sin));
    rt = f64x2.add(rt, f64x2.mul(rest, turn));
    r1 = f64x2.add(r1, rest);
    rr = f64x2.add(rr, f64x2.mul(rest, rest));
  }
  const to = at(out);
  store<f64>(to, lanes(cc));
  store<f64>(to + 8, lanes(cs));
  store<f64>(to + 16, lanes(c1));
  store<f64>(to + 24, lanes(ct));
  store<f64>(to + 32, lanes(ss));
  store<f64>(to + 40, lanes(s1));
  store<f64>(to + 48, lanes(st));
  store<f64>(to + 56, lanes(t1));
  store<f64>(to + 64, lanes(tt));
  store<f64>(to + 72, lanes(rc));
  store<f64>(to + 80, lanes(rs));
  store<f64>(to + 88, lanes(r1));
  store<f64>(to + 96, lanes(rt));
  store<f64>(to + 104, lanes(rr));
}

export function extremes(out: i32, x: i32, n: i32): void {
  const from = at(x);
  const even = (<usize>(n & ~1)) << 3;
  let low = both(Infinity);
  let high = both(-Infinity);
  let unordered = both(0);
  for (let i: usize = 0; i < even; i += 16) {
    const value = two(from + i);
    low = f64x2.pmin(low, value);
    high = f64x2.pmax(high, value);
    unordered = v128.or(unordered, f64x2.ne(value, value));
  }
  if ((n & 1) != 0) {
    const value = same(from + even);
    low = f64x2.pmin(low, value);
    high = f64x2.pmax(high, value);
    unordered = v128.or(unordered, f64x2.ne(value, value));
  }
  const to = at(out);
  const nan = v128.any_true(unordered);
  store<f64>(to, nan ? NaN : min(f64x2.extract_lane(low, 0), f64x2.extract_lane(low, 1)));
  store<f64>(to + 8, nan ? NaN : max(f64x2.extract_lane(high, 0), f64x2.extract_lane(high, 1)));
}

/** Neighbours often fall in one bin and would wait for each other: each lane has counts of its own. */
export function count(counts: i32, bins: i32, x: i32, n: i32): void {
  const to = at(counts);
  const other = to + ((<usize>bins) << 3);
  const given = other + ((<usize>bins) << 3);
  const from = at(x);
  const least = same(given);
  const width = same(given + 8);
  const last = both(<f64>(bins - 1));
  for (let i: usize = 0; i < <usize>n; i += 2) {
    const place = f64x2.div(f64x2.sub(two(from + (i << 3)), least), width);
    const bin = i32x4.trunc_sat_f64x2_s_zero(f64x2.pmin(last, place));
    add(to + ((<usize>i32x4.extract_lane(bin, 0)) << 3));
    if (i + 1 < <usize>n) add(other + ((<usize>i32x4.extract_lane(bin, 1)) << 3));
  }
}

function add(place: usize): void {
  store<f64>(place, load<f64>(place) + 1);
}
