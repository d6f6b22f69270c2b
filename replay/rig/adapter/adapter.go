// Package adapter is test support: pseudo-terminals, and a CAN adapter plugged into
// one, for checks in the rig. On other systems it is empty.
package adapter
