//go:build race

package httpapi

// underRace: the race detector makes everything many times slower.
const underRace = true
