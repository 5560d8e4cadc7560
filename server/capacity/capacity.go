// Package capacity says how many measurements at the same time a number of sites
// asks for: a queueing simulation of one working day. Times in seconds.
package capacity

import (
	"container/heap"
	"math"
	"math/rand/v2"
	"slices"
)

// Load is what sites send: at each shift's start many photos soon after each other,
// the others spread over the shift.
type Load struct {
	Sites     int
	Shifts    int     // a day, one after the other
	PerShift  float64 // photos of one site in a shift, on average (Poisson)
	Start     float64 // share of them that the start of the shift brings
	StartMean float64 // of these: mean time after the start, s (exponential)
	Zones     int     // time zones, an hour apart, that the sites are spread over; 1: all shifts start at once
}

const day = 86400.0

// Arrivals are the times of a day's photos, in order.
func (l Load) Arrivals(r *rand.Rand) []float64 {
	shift := day / float64(l.Shifts)
	var all []float64
	for site := range l.Sites {
		zone := 3600 * float64(site%max(1, l.Zones))
		for s := range l.Shifts {
			begin := float64(s)*shift + zone
			for range poisson(r, l.PerShift) {
				after := shift * r.Float64()
				if r.Float64() < l.Start {
					after = math.Mod(l.StartMean*r.ExpFloat64(), shift)
				}
				all = append(all, math.Mod(begin+after, day))
			}
		}
	}
	slices.Sort(all)
	return all
}

// poisson draws by counting exponential gaps, which is exact and quick for means
// of some ten.
func poisson(r *rand.Rand, mean float64) int {
	n, left := 0, mean-r.ExpFloat64()
	for ; left > 0; left -= r.ExpFloat64() {
		n++
	}
	return n
}

// Service is how long one measurement takes: lognormal, so never below zero and
// now and then long.
type Service struct{ Mean, SD float64 }

func (s Service) draw(r *rand.Rand) float64 {
	if s.SD == 0 {
		return s.Mean
	}
	v := math.Log(1 + s.SD*s.SD/(s.Mean*s.Mean))
	return math.Exp(math.Log(s.Mean) - v/2 + math.Sqrt(v)*r.NormFloat64())
}

// Result is a day as it went.
type Result struct {
	Photos        int
	P50, P95, P99 float64 // waits, s
	Longest       float64
	Busy          float64 // share of the servers' day
	Peak          float64 // photos a second in the busiest minute
}

// Run lets servers take photos in the order they came.
func Run(arrivals []float64, serve func() float64, servers int) Result {
	free := make(times, servers)
	waits := make([]float64, len(arrivals))
	work := 0.0
	perMinute := map[int]int{}
	for i, at := range arrivals {
		perMinute[int(at/60)]++
		begin := max(at, free[0])
		took := serve()
		waits[i] = begin - at
		work += took
		free[0] = begin + took
		heap.Fix(free, 0)
	}
	r := Result{Photos: len(arrivals), Busy: work / (day * float64(servers))}
	for _, n := range perMinute {
		r.Peak = max(r.Peak, float64(n)/60)
	}
	if len(waits) > 0 {
		slices.Sort(waits)
		at := func(share float64) float64 { return waits[int(share*float64(len(waits)-1))] }
		r.P50, r.P95, r.P99, r.Longest = at(0.5), at(0.95), at(0.99), waits[len(waits)-1]
	}
	return r
}

// times are when each server is free; the soonest first.
type times []float64

func (t times) Len() int           { return len(t) }
func (t times) Less(i, j int) bool { return t[i] < t[j] }
func (t times) Swap(i, j int)      { t[i], t[j] = t[j], t[i] }
func (t times) Push(any)           {}
func (t times) Pop() any           { return nil }

// Needed is the smallest number of servers with which 95 of 100 photos wait no
// longer than so many seconds, and the day with it.
func Needed(l Load, s Service, wait float64, seed uint64) (int, Result) {
	arrivals := l.Arrivals(rand.New(rand.NewPCG(seed, 1)))
	run := func(servers int) Result {
		r := rand.New(rand.NewPCG(seed, 2)) // the same photos for every number
		return Run(arrivals, func() float64 { return s.draw(r) }, servers)
	}
	most := 1
	for run(most).P95 > wait {
		most *= 2
	}
	least := max(1, most/2)
	for least < most {
		middle := (least + most) / 2
		if run(middle).P95 > wait {
			least = middle + 1
		} else {
			most = middle
		}
	}
	return most, run(most)
}
