// Made from src/anatomy/bones.h, src/report/palette.h, src/report/board.h and src/fixation/device_kinds/; the test PageFacts.AreCurrent renews it.

// By ray.
export const kPartner = ['', 'C1', 'C2', 'C3', 'Cub', 'Cub'];

export const kColours = {
  found: 0xe69f00,
  place: 0x0072b2,
  stay: 0x40464e,
  out: 0xb0559a,
  alarm: 0xd55e00,
};

// The ray board.
export const kBoardOrder = { right: [1, 2, 3, 4, 5], left: [5, 4, 3, 2, 1] };
export const kBoardSense = { right: { lateral: 1, distal: -1 }, left: { lateral: -1, distal: 1 } };
export const kBoardLeastMm = 3;
export const kDisplacedMark: [number, number][] = [[0, 4], [3.8, -3], [-3.8, -3]];
export const kUntoldMark: [number, number][] = [[0, 4.4], [3.2, 0], [0, -4.4], [-3.2, 0]];
export const kInPlaceRadius = 2.4;
export const kBelongsRadius = 3.4;
export const kArrow = { head: 5.5, headShare: 0.6, headHalfWidth: 0.45, shaftInHead: 0.8 };

// The signs of devices by kind: SVG paths in a square of 16.
export const kDeviceMarks: Record<string, { path: string; filled: boolean }> = {
  screw: { path: 'M2 3h4v10H2zM6 6.5h8.5v3H6z', filled: true },
  wire: { path: 'M2 3v5h13', filled: false },
};
