// Package training makes exercises of invented belt ends whose truth is known:
// photos spoilt by the cutting errors of the trade, questions, what is right,
// points, rounds that a seed repeats for a whole class, and a person's real
// cuts over time.
//
// Pure Go. Frames, signs and pixel centres are those of package geometry;
// lengths in millimetres.
package training
