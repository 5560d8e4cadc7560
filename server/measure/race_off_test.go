//go:build !race

package measure

const underRace = false
