package capacity

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Erlang's C formula: the share of arrivals that wait in M/M/c, and their mean wait
// (A. K. Erlang 1917; Gross, Harris, Fundamentals of Queueing Theory, 2.4).
func erlangC(c int, load float64) float64 {
	sum, term := 0.0, 1.0
	for k := range c {
		if k > 0 {
			term *= load / float64(k)
		}
		sum += term
	}
	last := term * load / float64(c) * float64(c) / (float64(c) - load)
	return last / (sum + last)
}

func TestWaitsAreErlangs(t *testing.T) {
	const seed = 5
	r := rand.New(rand.NewPCG(seed, 1))
	for _, c := range []struct {
		servers int
		busy    float64
	}{{1, 0.5}, {1, 0.8}, {4, 0.7}, {20, 0.9}} {
		mean := 2.0
		rate := c.busy * float64(c.servers) / mean
		var arrivals []float64
		for at, n := 0.0, 0; n < 400_000; n++ {
			at += r.ExpFloat64() / rate
			arrivals = append(arrivals, at)
		}
		res := Run(arrivals, func() float64 { return mean * r.ExpFloat64() }, c.servers)
		// The share that waits: the wait of the (1 - C) quantile is zero.
		want := erlangC(c.servers, rate*mean)
		// Given that one waits, the wait is exponential with mean/(c (1 - busy)).
		scale := mean / (float64(c.servers) * (1 - c.busy))
		quantile := func(q float64) float64 { return max(0, scale*math.Log(want/(1-q))) }
		for name, v := range map[string][2]float64{"p50": {res.P50, quantile(0.5)}, "p95": {res.P95, quantile(0.95)}, "p99": {res.P99, quantile(0.99)}} {
			if math.Abs(v[0]-v[1]) > 0.06*v[1]+0.02 {
				t.Errorf("%d servers %.0f %% busy, %s: %.3f s, Erlang says %.3f", c.servers, 100*c.busy, name, v[0], v[1])
			}
		}
	}
}

func TestArrivalsComeAsTheShiftMakesThem(t *testing.T) {
	l := Load{Sites: 2000, Shifts: 3, PerShift: 10, Start: 0.6, StartMean: 1800, Zones: 1}
	a := l.Arrivals(rand.New(rand.NewPCG(1, 1)))
	// 60,000 expected, Poisson: four standard deviations are 980.
	if n := float64(len(a)); math.Abs(n-60_000) > 980 {
		t.Errorf("%v photos, want 60,000", n)
	}
	first := 0
	for i, at := range a {
		if at < 0 || at >= day || i > 0 && at < a[i-1] {
			t.Fatalf("photo %d at %v", i, at)
		}
		if at < 1800 {
			first++
		}
	}
	// In the first half hour of a shift: 0.6 (1 - 1/e) of its start's and 1/16 of the others.
	want := 20_000 * (0.6*(1-math.Exp(-1)) + 0.4/16)
	if math.Abs(float64(first)-want) > 4*math.Sqrt(want) {
		t.Errorf("%d photos in the first half hour, want %.0f", first, want)
	}
	l.Zones = 8
	if spread, at := peak(l), peak(Load{Sites: 2000, Shifts: 3, PerShift: 10, Start: 0.6, StartMean: 1800, Zones: 1}); spread > 0.6*at {
		t.Errorf("eight time zones have a peak of %.2f photos a second, one of %.2f", spread, at)
	}
}

func peak(l Load) float64 {
	return Run(l.Arrivals(rand.New(rand.NewPCG(1, 1))), func() float64 { return 0 }, 1).Peak
}

// Needed is right when one fewer is too few.
func TestNeededIsTheSmallest(t *testing.T) {
	l := Load{Sites: 300, Shifts: 3, PerShift: 12, Start: 0.6, StartMean: 1800, Zones: 1}
	s := Service{Mean: 2.5, SD: 1}
	n, with := Needed(l, s, 10, 7)
	r := rand.New(rand.NewPCG(7, 2))
	fewer := Run(l.Arrivals(rand.New(rand.NewPCG(7, 1))), func() float64 { return s.draw(r) }, n-1)
	if with.P95 > 10 || fewer.P95 <= 10 || n < 2 {
		t.Errorf("%d servers wait %.1f s, one fewer %.1f", n, with.P95, fewer.P95)
	}
}

func TestServiceHasItsMean(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	s, sum, sq := Service{Mean: 2.5, SD: 1.2}, 0.0, 0.0
	const n = 200_000
	for range n {
		v := s.draw(r)
		sum, sq = sum+v, sq+v*v
	}
	mean := sum / n
	if sd := math.Sqrt(sq/n - mean*mean); math.Abs(mean-2.5) > 0.02 || math.Abs(sd-1.2) > 0.05 {
		t.Errorf("mean %.3f, standard deviation %.3f", mean, sd)
	}
}
