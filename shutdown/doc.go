// Package shutdown decides: events go in, effects come out. It reads no clock,
// socket, file or random number, so a replay is the real thing.
//
// What is kept is facts: what was said and seen, by whom, when, and which orders
// were begun. All else follows from them, in one direction, at every step:
//
//	event -> facts -> belief -> intent -> orders -> conditions
//
//	step.go       the whole decision, from above
//	facts.go      what is kept; ups.go and look.go take an answer and a look
//	evidence.go   what proves what: how many answers, how far apart, for how long
//	belief.go     what a UPS's facts mean now: its input, what is in the store
//	host.go       where a host stands: one table of states and inputs
//	schedule.go   intent: who should be off from when on, and why (question.go
//	              asks the planner, stages.go what outranks it, guard.go a loss)
//	room.go       what is believed of rooms and of an emergency power off
//	restore.go    intent, once the input is back: who may be started
//	orders.go     the difference between that and what is under way
//	condition.go  the set of conditions that holds now; notices are its difference
//	wake.go       when time alone would change an answer
package shutdown
