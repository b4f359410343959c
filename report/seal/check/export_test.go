package check

// VerifyUnguarded is Verify without its guard against panics.
var VerifyUnguarded = verify
