package check

// VerifyUnguarded is Verify without its guard against panics.
func VerifyUnguarded(pdf []byte, o Options) Report {
	v := &inspection{pdf: pdf, options: o}
	v.run()
	return v.report
}
