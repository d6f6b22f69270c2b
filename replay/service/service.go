// Package service reads trouble codes and identification from modules: ISO-TP
// (ISO 15765-2) carries the questions and answers, the emission services of SAE
// J1979 (ISO 15031-5) and the reading services of ISO 14229-1 are what is asked.
// It has no request that clears, writes, unlocks or changes a session, and
// Permitted refuses every frame that would.
package service
