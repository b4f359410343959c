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
