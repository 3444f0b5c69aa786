/** Bytes of lines of hexadecimal text; what follows a `;` is for people. */
function bytesOf(text: string): Uint8Array {
  const hex = text
    .split('\n')
    .map((line) => line.split(';')[0] ?? '')
    .join(' ');
  return Uint8Array.from(
    hex
      .split(/\s+/u)
      .filter(Boolean)
      .map((byte) => Number.parseInt(byte, 16)),
  );
}

const ALL_EFFECTS = '09 26 09 27 09 30 09 31 09 32 09 33 09 34 09 40 09 41 09 42 09 43';
/** Time in ms, 16 bits. */
const TIME = '15 00 26 ff 7f 35 00 46 ff 7f 66 03 10 55 fd 75 10';
const NO_UNIT = '65 00 55 00';
const INDEX = '09 22 15 01 25 28 35 01 45 28 75 08 95 01 91 02 ; effect block index 1 … 40';
const SIGNED = '16 01 ff 26 ff 00 36 f0 d8 46 10 27 75 10 ; −255 … 255 for −10000 … 10000';
const SHARE = '15 00 26 ff 00 35 00 46 10 27 75 08 ; 0 … 255 for 0 … 10000';

/**
 * Reports with ids, sizes and order as in the appendix of the Device Class Definition for Physical
 * Interface Devices 1.0, from memory: levels have no unit, times are in ms.
 */
export const STANDARD_LAYOUT = bytesOf(`
05 01 09 04 a1 01            ; joystick
05 0f 09 92 a1 02 85 02      ; PID state, input 2
09 9f 09 a0 09 a4 09 a5 09 a6 15 00 25 01 35 00 45 01 75 01 95 05 81 02 95 03 81 03
09 94 75 01 95 01 81 02
09 22 15 01 25 28 35 01 45 28 75 07 95 01 81 02 c0
09 21 a1 02 85 01            ; set effect, output 1
${INDEX}
09 25 a1 02 ${ALL_EFFECTS} 15 01 25 0b 35 01 45 0b 75 08 95 01 91 00 c0
09 50 09 54 09 51 ${TIME} 95 03 91 02 ${NO_UNIT}
09 52 ${SHARE}
95 01 91 02
09 53 15 01 25 08 35 01 45 08 75 08 95 01 91 02
09 55 a1 02 05 01 09 30 09 31 15 00 25 01 35 00 45 01 75 01 95 02 91 02 c0
05 0f 09 56 95 01 91 02 95 05 91 03
09 57 a1 02 0b 01 00 0a 00 0b 02 00 0a 00 66 14 00 55 fe 15 00 26 ff 00 35 00 47 a0 8c 00 00
75 08 95 02 91 02 ${NO_UNIT} c0
05 0f 09 58 a1 02 0b 01 00 0a 00 0b 02 00 0a 00 26 fd 7f 46 fd 7f 75 10 95 02 91 02 c0 c0
05 0f 09 5a a1 02 85 02      ; set envelope, output 2
${INDEX}
09 5b 09 5d ${SHARE}
95 02 91 02
09 5c 09 5e ${TIME} 95 02 91 02 ${NO_UNIT} c0
09 5f a1 02 85 03            ; set condition, output 3
${INDEX}
09 23 15 00 25 01 35 00 45 01 75 04 95 01 91 02 95 01 91 03
09 60 09 61 09 62 15 80 25 7f 36 f0 d8 46 10 27 75 08 95 03 91 02
09 63 09 64 09 65 ${SHARE}
95 03 91 02 c0
09 6e a1 02 85 04            ; set periodic, output 4
${INDEX}
09 70 ${SHARE}
95 01 91 02
09 6f 15 80 25 7f 36 f0 d8 46 10 27 95 01 91 02
09 71 66 14 00 55 fe 15 00 26 ff 00 35 00 47 a0 8c 00 00 95 01 91 02
09 72 ${TIME} 95 01 91 02 ${NO_UNIT} c0
09 73 a1 02 85 05            ; set constant force, output 5
${INDEX}
09 70 ${SIGNED}
95 01 91 02 c0
09 74 a1 02 85 06            ; set ramp force, output 6
${INDEX}
09 75 09 76 15 80 25 7f 36 f0 d8 46 10 27 75 08 95 02 91 02 c0
09 77 a1 02 85 0a            ; effect operation, output 10
${INDEX}
09 78 a1 02 09 79 09 7a 09 7b 15 01 25 03 35 01 45 03 75 08 95 01 91 00 c0
09 7c 15 00 26 ff 00 35 00 46 ff 00 75 08 95 01 91 02 c0
09 95 a1 02 85 0c            ; device control, output 12
09 96 a1 02 09 97 09 98 09 99 09 9a 09 9b 09 9c 15 01 25 06 35 01 45 06 75 08 95 01 91 00 c0 c0
09 7d a1 02 85 0d            ; device gain, output 13
09 7e ${SHARE}
95 01 91 02 c0
09 ab a1 02 85 01            ; create new effect, feature 1
09 25 a1 02 ${ALL_EFFECTS} 15 01 25 0b 35 01 45 0b 75 08 95 01 b1 00 c0
05 01 09 3b 15 00 26 ff 01 35 00 46 ff 01 75 0a 95 01 b1 02 75 06 b1 01 c0
05 0f 09 89 a1 02 85 02      ; block load, feature 2
09 22 15 01 25 28 35 01 45 28 75 08 95 01 b1 02
09 8b a1 02 09 8c 09 8d 09 8e 15 01 25 03 35 01 45 03 75 08 95 01 b1 00 c0
09 ac 15 00 27 ff ff 00 00 35 00 47 ff ff 00 00 75 10 95 01 b1 02 c0
09 7f a1 02 85 03            ; pool, feature 3
09 80 75 10 95 01 b1 02
09 83 26 ff 00 46 ff 00 75 08 95 01 b1 02
09 a9 09 aa 75 01 95 02 15 00 25 01 35 00 45 01 b1 02 75 06 95 01 b1 03 c0
c0
`);

const TORQUE = '67 21 e1 00 00 55 04 ; mN·m: 10^4 dyn·cm';
const MICROSECONDS = '66 01 10 55 0a ; 10^-6 s, exponent as a nibble';
const BLOCK = '09 22 15 01 25 3f 35 00 45 00 75 06 95 01 91 02 ; block 1 … 63';

/**
 * Reports of another device: other ids, orders, sizes and units, bits across bytes, saved states, lists
 * as one bit each. Levels are in mN·m to ±20 N·m, times in µs, directions in rad/100.
 */
export const OTHER_LAYOUT = bytesOf(`
06 00 ff 09 01 a1 01         ; an application of the maker
05 0f
09 7d a1 02 85 40 09 7e 15 00 26 e8 03 75 0a 95 01 91 02 75 06 91 03 c0 ; gain 0 … 1000, output 64
09 73 a1 02 85 41            ; set constant force, output 65
a4 09 70 17 e0 b1 ff ff 27 20 4e 00 00 ${TORQUE}
75 11 95 01 91 02 b4
${BLOCK}
75 01 95 01 91 03 c0
09 21 a1 02 85 31            ; set effect, output 49
a4 09 52 15 00 25 64 75 07 95 01 91 02
09 57 a1 02 0b 01 00 0a 00 15 00 26 ff 0f 35 00 46 74 02 65 12 55 0e 75 0c 95 01 91 02 c0
b4 a4 09 56 15 00 25 01 75 01 95 01 91 02
09 55 a1 02 0b 30 00 01 00 91 02 c0 75 03 91 03
09 50 15 00 27 80 96 98 00 ${MICROSECONDS}
75 18 95 01 91 02 b4
09 25 a1 02 09 40 09 26 09 31 15 01 25 03 75 05 95 01 91 00 c0
${BLOCK}
75 05 91 03 c0
09 6e a1 02 85 42            ; set periodic, output 66
a4 09 72 15 00 27 80 96 98 00 ${MICROSECONDS}
75 18 95 01 91 02 b4
a4 09 71 15 00 26 74 02 65 12 55 0e 75 0a 95 01 91 02 b4
${BLOCK}
a4 09 6f 09 70 17 e0 b1 ff ff 27 20 4e 00 00 ${TORQUE}
75 10 95 02 91 02 b4 c0
09 74 a1 02 85 43            ; set ramp, output 67: end before start
a4 09 76 09 75 17 e0 b1 ff ff 27 20 4e 00 00 ${TORQUE}
75 14 95 02 91 02 b4
${BLOCK}
75 02 91 03 c0
09 5f a1 02 85 44            ; set condition, output 68
a4 09 64 09 63 15 00 27 20 4e 00 00 ${TORQUE}
75 0f 95 02 91 02 b4
a4 09 62 09 61 09 60 16 18 fc 26 e8 03 75 0b 95 03 91 02
09 65 15 00 75 0a 95 01 91 02 b4
${BLOCK}
09 23 15 00 25 01 75 01 95 01 91 02 c0
09 5a a1 02 85 45            ; set envelope, output 69
${BLOCK}
a4 15 00 27 80 96 98 00 ${MICROSECONDS}
09 5e 09 5c 75 18 95 02 91 02 b4
a4 09 5d 09 5b 15 00 27 20 4e 00 00 ${TORQUE}
75 10 95 02 91 02 b4 75 02 95 01 91 03 c0
09 77 a1 02 85 46            ; effect operation, output 70: loops first
09 7c 15 00 25 0f 75 04 95 01 91 02
09 78 a1 02 09 7b 09 7a 09 79 15 00 25 02 75 02 95 01 91 00 c0
${BLOCK}
75 04 91 03 c0
09 95 a1 02 85 47            ; device control, output 71: a bit each
15 00 25 01 75 01 95 04 09 9a 09 99 09 98 09 97 91 02 95 04 91 03 c0
09 ab a1 02 85 50            ; create, feature 80
09 25 a1 02 09 40 09 26 09 31 15 01 25 03 75 08 95 01 b1 00 c0 c0
09 89 a1 02 85 51            ; block load, feature 81: status a bit each, then the block
15 00 25 01 75 01 95 03 09 8e 09 8d 09 8c b1 02 75 05 95 01 b1 03
09 22 15 01 25 3f 75 08 95 01 b1 02 c0
09 92 a1 02 85 52            ; state, input 82: only what is needed
09 22 15 01 25 3f 75 06 95 01 81 02
15 00 25 01 75 01 95 02 09 a0 09 94 81 02 c0
c0
`);
