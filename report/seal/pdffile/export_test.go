package pdffile

// Signature reads the one certifying signature of a file that has no other.
func (f *File) Signature() (Found, error) {
	if err := f.OneSignature(); err != nil {
		return Found{}, err
	}
	return f.Certification()
}
