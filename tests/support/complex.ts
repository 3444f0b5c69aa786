/** A complex number. */
export interface Complex {
  readonly re: number;
  readonly im: number;
}

export function product(a: Complex, b: Complex): Complex {
  return { re: a.re * b.re - a.im * b.im, im: a.re * b.im + a.im * b.re };
}

export function inverseOf({ re, im }: Complex): Complex {
  const size = re * re + im * im;
  return { re: re / size, im: -im / size };
}
