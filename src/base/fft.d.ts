/** Types of the package fft.js, which ships none. */
declare module 'fft.js' {
  class FFT {
    /** @param size - A power of two, 2 or more. */
    constructor(size: number);
    createComplexArray(): number[];
    /** Writes the lower half of the spectrum of real data, real and imaginary parts in turn. */
    realTransform(out: number[], data: ArrayLike<number>): void;
    /** Fills in the upper half from the lower. */
    completeSpectrum(spectrum: number[]): void;
    inverseTransform(out: number[], data: number[]): void;
  }
  export = FFT;
}
