package thermal

import (
	"math"

	"proveout/scoring/holes"
)

// A Reading is a temperature in °C at a time in seconds.
type Reading struct {
	Time float64 `json:"t"`
	Temp float64 `json:"temp"`
}

// A screen holds back readings that no card can give: the first one of a sensor
// that was not asked yet, dropouts, and leaps that come back. The zero value is
// ready.
type screen struct {
	based   bool
	base    Row     // the last reading that was believed
	last    float64 // s, time of the last reading of all
	doubted []Row   // the readings since the base, none of which can follow it
	alike   int     // how many of them, at the end, follow one another
	count   int     // readings left out
	odd     []Reading
	leaps   []holes.Hole // from the last reading before to the first after
}

// Some readings make a level: as many at the beginning, or so many later on, or
// those of so long a time.
const (
	levelFirst = 3
	levelLater = 20
	levelTime  = 60 // s
	keptOdd    = 12 // of the readings left out, that are kept for the figure
)

// pass takes a reading and returns those that can be believed now.
func (s *screen) pass(r Row) []Row {
	step := math.Max(0, r[Time]-s.last)
	s.last = r[Time]
	switch {
	case r[Temperature] < -40 || r[Temperature] > 200: // no card in a workshop (common practice, no source)
		s.leaveOut(r)
		return nil
	case s.based && follows(s.base, r, step):
		s.leaveOut(s.doubted...)
		s.doubted, s.alike, s.base = s.doubted[:0], 0, r
		return []Row{r}
	}
	if n := len(s.doubted); n == 0 || !follows(s.doubted[n-1], r, step) {
		s.alike = 0
	}
	s.doubted, s.alike = append(s.doubted, r), s.alike+1
	first := len(s.doubted) - s.alike
	lasted := r[Time] - s.doubted[first][Time]
	if s.based && s.alike < levelLater && (s.alike < levelFirst || lasted < levelTime) || s.alike < levelFirst {
		return nil
	}
	if s.based {
		s.leaps = append(s.leaps, holes.Hole{From: s.base[Time], To: s.doubted[first][Time]})
	}
	s.leaveOut(s.doubted[:first]...)
	level := append([]Row(nil), s.doubted[first:]...)
	s.doubted, s.alike, s.base, s.based = s.doubted[:0], 0, r, true
	return level
}

func (s *screen) leaveOut(rows ...Row) {
	for _, r := range rows {
		if s.count++; len(s.odd) < keptOdd {
			s.odd = append(s.odd, Reading{r[Time], r[Temperature]})
		}
	}
}

// waiting are the readings of a log that is too short to have a level, and how
// many stand doubted behind one.
func (s *screen) waiting() (unsettled []Row, doubted int) {
	if s.based {
		return nil, len(s.doubted)
	}
	return s.doubted, 0
}

// follows says whether a card's temperature can go from a to b in step seconds.
// The limits are common practice without a source: 20 °C at once and 2 °C in a
// second more than the fastest sensor in a chip shows; from or to what sensors
// give when they were not asked yet, are not connected or fail, less.
func follows(a, b Row, step float64) bool {
	most := 20 + 2*step
	if failing(a[Temperature]) || failing(b[Temperature]) {
		most = 5 + 0.2*step
	}
	return math.Abs(b[Temperature]-a[Temperature]) <= most
}

func failing(temp float64) bool {
	return temp == 85 || temp == 0 || temp == 127 || temp == 128
}
