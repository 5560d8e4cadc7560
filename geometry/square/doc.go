// Package square turns points on a belt's two edges and on its cut into the
// values a person works by: the out-of-square offset, the width, the re-cut in
// tape-measure terms, the verdict, the tape checks and the names of cutting
// faults. Frames and signs are package geometry's. Nothing here is random,
// robust or iterative beyond a few fixed steps, so that a caller may
// differentiate [Compute] numerically to propagate uncertainty.
package square
