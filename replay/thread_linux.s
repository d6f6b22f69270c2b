// Empty: where a package has assembly, the compiler takes functions without a
// body (procPin in thread_linux.go).
