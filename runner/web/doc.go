// Package web serves the station's pages and runs its nests for them: what is
// scanned on the operator's page goes through a nest, and everything that
// happens goes to every page that follows. It judges nothing.
//
// A [Server] is made of the station's nests, archive and look by package main,
// which also knows the hardware. Other pages (the manager's, the repair
// bench's) are handlers of their own that the server is given ([Page]); all of
// them go through one guard: headers, cross-origin protection, limits, log.
//
// What a browser shows is the state of the station and nothing else. The server
// folds the journals' events into that state; a browser gets it whole when it
// connects and then each change, numbered (server-sent events). So a page that
// reloads, a second browser and the first one show the same, and a browser that
// was away goes on where it was, or gets the state anew if that is too long ago.
package web
