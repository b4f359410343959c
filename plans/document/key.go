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
type Target struct {
	Type  string                                 // how the value is written: "duration", "list of text"
	Text  func() string                          // the value the variable has; empty for none
	Read  func(s *Section, key string, v *Value) // takes the value, or records what is wrong with it
	words []string                               // that may stand there
	inner func() []Key                           // of a table, or of the tables of a list
}

// Own makes a target of a form of its own: how it is written, how it is read,
// and what it is now, which nobody needs to know when text is nil.
func Own(written string, read func(s *Section, key string, v *Value), text func() string) Target {
	if text == nil {
		text = func() string { return "" }
	}
	return Target{Type: written, Text: text, Read: read}
}

// Later is a value that is read when others are known, by the check of its table.
func Later(written string) Target {
	return Own(written, func(*Section, string, *Value) {}, nil)
}

// Inner is a table: its keys, and what is to be checked once they are read,
// which may be nothing.
func Inner[T any](to *T, keys func(*T) []Key, check func(*Section, *T)) Target {
	return table(func() *T { return to }, keys, check)
}

// Optional is a table that may be absent.
func Optional[T any](to **T, keys func(*T) []Key, check func(*Section, *T)) Target {
	fresh := func() *T {
		*to = new(T)
		return *to
	}
	return table(fresh, keys, check)
}

func table[T any](to func() *T, keys func(*T) []Key, check func(*Section, *T)) Target {
	t := Own("table", func(s *Section, key string, v *Value) {
		if into := to(); s.Is(key, v, Group) {
			readInto(newSection(s.c, v.Table, s.Name(key)), into, keys, check)
		}
	}, nil)
	t.inner = func() []Key { return keys(new(T)) }
	return t
}

func readInto[T any](s *Section, to *T, keys func(*T) []Key, check func(*Section, *T)) {
	s.read(keys(to), func(s *Section) {
		if check != nil {
			check(s, to)
		}
	})
}

// Tables is a list of tables: the keys of one, what is to be checked once they
// are read, which may be nothing, and the keys that tell them apart.
func Tables[T any](to *[]T, keys func(*T) []Key, check func(*Section, *T), by ...string) Target {
	return TablesFrom(func() (zero T) { return zero }, to, keys, check, by...)
}

// TablesFrom is a list of tables that begin with defaults.
func TablesFrom[T any](
	fresh func() T, to *[]T, keys func(*T) []Key, check func(*Section, *T), by ...string,
) Target {
	t := Own("tables", func(s *Section, key string, v *Value) {
		for _, section := range s.sections(key, v, by) {
			one := fresh()
			readInto(section, &one, keys, check)
			*to = append(*to, one)
		}
	}, func() string { return counted(len(*to)) })
	t.inner = func() []Key {
		one := fresh()
		return keys(&one)
	}
	return t
}
