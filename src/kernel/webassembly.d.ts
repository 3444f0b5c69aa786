/* eslint-disable @typescript-eslint/no-extraneous-class -- a declaration of what the engine has */
/** The part of the WebAssembly interface that is used here; the types of Node leave it out. */
declare namespace WebAssembly {
  class Memory {
    readonly buffer: ArrayBuffer;
    grow(pages: number): number;
  }
  class Module {
    constructor(bytes: Uint8Array);
  }
  class Instance {
    constructor(module: Module);
    readonly exports: object;
  }
  function validate(bytes: Uint8Array): boolean;
}
