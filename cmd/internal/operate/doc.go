// Package operate is what a service needs besides its work: log, metrics and
// health, its directory, a watch over disk and clock, and the way down.
//
// Nothing here knows what the service does. States come in by functions and go
// out by callbacks; what to do about a full disk is the service's.
package operate
