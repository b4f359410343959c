//go:build !js

package main

// Outside a browser there is nothing to do.
func main() {}
