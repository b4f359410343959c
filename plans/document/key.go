package document

// A Key is one key that a table of a file may have, bound to the variable that
// its value goes to. One list of keys serves reading and checking, suggestions,
// summaries and the reference text.
type Key struct {
	Name   string
	To     Target
	What   string // what it says, on one line
	Needed string // how to write it, for a key that must be there
	Filled string // what to do about an empty list, for a list that may not be empty
	Absent string // what holds without the key, where the variable does not tell
	Label  string // what a summary calls it; the name when empty, "-" when no summary shows it
	Says   string // what a summary says of it, in place of the value
}

// A Target is a variable that the value of a key goes to.
type Target interface {
	Type() string                          // how the value is written: "duration", "list of text"
	Text() string                          // the value the variable has; empty for none
	Read(s *Section, key string, v *Value) // takes the value, or records what is wrong with it
}

// A target is a Target made of functions.
type target struct {
	written string
	text    func() string
	read    func(s *Section, key string, v *Value)
	words   []string
	inner   func() []Key // of a table
}

func (t *target) Type() string                          { return t.written }
func (t *target) Text() string                          { return t.text() }
func (t *target) Read(s *Section, key string, v *Value) { t.read(s, key, v) }

// Own makes a target of a form of its own: how it is written, how it is read,
// and what it is now, which nobody needs to know when text is nil.
func Own(written string, read func(s *Section, key string, v *Value), text func() string) Target {
	if text == nil {
		text = nothing
	}
	return &target{written: written, read: read, text: text}
}

// Later is a value that is read when others are known, by the check of its table.
func Later(written string) Target {
	return Own(written, func(*Section, string, *Value) {}, nil)
}

// Inner is a table: its keys, and what is to be checked once they are read,
// which may be nothing.
func Inner[T any](to *T, keys func(*T) []Key, check func(*Section, *T)) Target {
	read := func(s *Section, key string, v *Value) { readTable(s, key, v, to, keys, check) }
	return &target{written: "table", text: nothing, read: read, inner: func() []Key { return keys(new(T)) }}
}

// Optional is a table that may be absent.
func Optional[T any](to **T, keys func(*T) []Key, check func(*Section, *T)) Target {
	read := func(s *Section, key string, v *Value) {
		*to = new(T)
		readTable(s, key, v, *to, keys, check)
	}
	return &target{written: "table", text: nothing, read: read, inner: func() []Key { return keys(new(T)) }}
}

func nothing() string { return "" }

func readTable[T any](s *Section, key string, v *Value, to *T, keys func(*T) []Key, check func(*Section, *T)) {
	if s.Is(key, v, Group) {
		readInto(newSection(s.c, v.Table, s.Name(key)), to, keys, check)
	}
}

func readInto[T any](s *Section, to *T, keys func(*T) []Key, check func(*Section, *T)) {
	s.read(keys(to), func(s *Section) {
		if check != nil {
			check(s, to)
		}
	})
}

// A List is a list of tables.
type List[T any] struct {
	To    *[]T
	New   func() T // with its defaults; zero when nil
	Keys  func(*T) []Key
	Check func(*Section, *T) // once the keys of one are read; may be nil
	By    []string           // keys that tell them apart
}

// Type says that it is tables.
func (l List[T]) Type() string { return "tables" }

// Text says how many there are.
func (l List[T]) Text() string { return counted(len(*l.To)) }

// Read takes in every table.
func (l List[T]) Read(s *Section, key string, v *Value) {
	for _, one := range s.sections(key, v, l.By) {
		t := l.fresh()
		readInto(one, &t, l.Keys, l.Check)
		*l.To = append(*l.To, t)
	}
}

func (l List[T]) fresh() T {
	var t T
	if l.New != nil {
		t = l.New()
	}
	return t
}

func (l List[T]) innerKeys() []Key {
	t := l.fresh()
	return l.Keys(&t)
}

func (t *target) innerKeys() []Key {
	if t.inner == nil {
		return nil
	}
	return t.inner()
}
