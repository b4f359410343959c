package simulated

import (
	"strings"
	"sync"

	"proveout/harness/reading"
)

// An album keeps the captures of a few good cards, for cards whose pictures are
// good too and not what is looked at.
type album struct {
	mu   sync.Mutex
	sets map[string][]shot

	found sync.Map // what was found out about its captures, by file and key
}

// remembered are the files of a job, with what is known of the captures of an
// album: they are compared once.
type remembered struct {
	reading.Files
	album *album
}

func (r remembered) Recall(of reading.Evidence, key string) ([]byte, bool) {
	found, ok := r.album.found.Load(of.SHA256 + key)
	if !ok {
		return nil, false
	}
	return found.([]byte), true
}

func (r remembered) Keep(of reading.Evidence, key string, found []byte) {
	r.album.found.Store(of.SHA256+key, found)
}

// afresh are the files of a job whose captures are its own.
type afresh struct{ reading.Files }

func (afresh) Recall(reading.Evidence, string) ([]byte, bool) { return nil, false }
func (afresh) Keep(reading.Evidence, string, []byte)          {}

// pages is how many good cards an album has.
const pages = 12

// take is one set of captures out of the album.
func (a *album) take(v *visit, patterns []string, mode string) ([]shot, error) {
	page := v.d.IntN(pages)
	key := strings.Join(append(patterns[:len(patterns):len(patterns)], mode, string(rune('a'+page))), " ")
	a.mu.Lock()
	defer a.mu.Unlock()
	if set, ok := a.sets[key]; ok {
		return set, nil
	}
	good := &specimen{family: v.card.family}
	set, err := good.shots(patterns, mode, throw(v.proof.order.Seed, "album", page))
	if err != nil {
		return nil, err
	}
	for i := range set {
		if set[i].data, err = encoded(set[i].image, set[i].kind); err != nil {
			return nil, err
		}
	}
	if a.sets == nil {
		a.sets = map[string][]shot{}
	}
	a.sets[key] = set
	return set, nil
}
