package bus

// StandardModes are held against the published table by tests outside the package.
var StandardModes = standardModes
