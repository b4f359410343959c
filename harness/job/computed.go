package job

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"sync"
)

// computedDir holds what was computed from evidence, so that it need not be
// computed at each look. It may be removed at any time. Documents use nothing of
// it but photos made small for print, and these only when they are still the
// ones that the job names.
const computedDir = "computed"

// A computed file holds the result for one piece of evidence.
type computed struct {
	Program string          `json:"program"` // that computed it
	Key     string          `json:"key"`     // what the result hangs on
	Found   json.RawMessage `json:"found"`
}

// program tells this program from another version or build of it.
var program = sync.OnceValue(func() string {
	path, err := os.Executable()
	if err != nil {
		return ""
	}
	st, err := os.Stat(path)
	if err != nil {
		return ""
	}
	return fmt.Sprintf("%d %d", st.Size(), st.ModTime().UnixNano())
})

func computedPath(dir, sum string) string { return filepath.Join(dir, computedDir, sum+".json") }

// recall returns what this program has computed from the evidence before.
func recall(dir, sum, key string) ([]byte, bool) {
	data, err := os.ReadFile(computedPath(dir, sum))
	if err != nil {
		return nil, false
	}
	var c computed
	if json.Unmarshal(data, &c) != nil || c.Key != key || c.Program == "" || c.Program != program() {
		return nil, false
	}
	return c.Found, true
}

// keepComputed keeps a result. That it cannot is no fault: it is computed again.
func keepComputed(dir, sum, key string, found []byte) {
	if program() == "" {
		return
	}
	data, err := json.Marshal(computed{program(), key, found})
	if err != nil || os.MkdirAll(filepath.Join(dir, computedDir), 0o755) != nil {
		return
	}
	_ = WriteFile(computedPath(dir, sum), data, ReplaceExisting)
}
