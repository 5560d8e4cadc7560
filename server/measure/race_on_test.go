//go:build race

package measure

// underRace: the race detector makes everything many times slower.
const underRace = true
