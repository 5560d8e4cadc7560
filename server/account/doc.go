// Package account says who may do what: accounts with roles and sites,
// passwords, sessions of the pages, tokens of programs. Its tables stand beside
// the archive's, and every change is one of the archive's events.
//
// Passwords are kept as argon2id (RFC 9106, the second recommended parameters:
// 3 passes over 64 MiB). Sessions and tokens are 256 random bits, of which only
// the SHA-256 is kept. Sign-ins that fail are counted by account and by address;
// beyond a limit both wait.
package account
