package bus

// Standard modes and formulas are held against published tables by tests
// outside the package.
var (
	StandardModes = standardModes
	CVT           = cvt
	GTF           = gtf
)

const (
	ReferenceHz     = referenceHz
	NormalBlanking  = normalBlanking
	ReducedBlanking = reducedBlanking
)

// DumpedBytes are the bytes of each device of a dump.
func DumpedBytes(data []byte) ([][]byte, []DumpProblem) {
	spaces, problems := spacesOf(data)
	var out [][]byte
	for _, s := range spaces {
		out = append(out, s.bytes)
	}
	return out, problems
}
