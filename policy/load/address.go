package load

// BadAddress says what is wrong with an address of a machine, with a port or
// without, or "": only its form is looked at.
func BadAddress(text string) string { return badAddress(text, portOptional) }
