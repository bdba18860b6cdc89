# What the language leaves out, and functions called wrongly.

site "barn" {
}

ups "rack" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 9
    installed = "2025-03-01"
  }
  hid {
    serial = "1"
  }
}

variable "list" {
  value = [for x in ["a"] : x] # ERROR: Not part of the policy language
}

variable "if" {
  value = true ? 1 : 2 # ERROR: Not part of the policy language
}

variable "sum" {
  value = 1 + 1 # ERROR: Not part of the policy language
}

variable "not" {
  value = !true # ERROR: Not part of the policy language
}

variable "negative" {
  value = -"a" # ERROR: Not part of the policy language
}

variable "template" {
  value = "%{if true}a%{endif}" # ERROR: Not part of the policy language
}

variable "index" {
  value = var.numbers[0] # ERROR: Not part of the policy language
}

variable "splat" {
  value = var.numbers[*] # ERROR: Not part of the policy language
}

variable "deep" {
  value = var.numbers.first # ERROR: Not part of the policy language
}

variable "numbers" {
  value = [1, 2]
}

variable "bare" {
  value = var # ERROR: Not part of the policy language
}

variable "in-text" {
  value = "a ${var.numbers} b" # ERROR: Wrong kind of value
}

variable "format-1" {
  value = format("%s") # ERROR: Wrong function arguments
}

variable "format-2" {
  value = format("%d", "1") # ERROR: Wrong function arguments
}

variable "format-3" {
  value = format("%99999999d", 1) # ERROR: Wrong function arguments
}

variable "format-4" {
  value = format("a", "b") # ERROR: Wrong function arguments
}

variable "format-5" {
  value = format("%s", var.numbers) # ERROR: Wrong kind of value
}

variable "format-6" {
  value = format() # ERROR: Wrong function arguments
}

variable "format-7" {
  value = format(1) # ERROR: Wrong function arguments
}

variable "format-8" {
  value = format("%x of %s", 1) # ERROR: Wrong function arguments
}

variable "join-1" {
  value = join(",") # ERROR: Wrong function arguments
}

variable "join-2" {
  value = join(",", ["a", var.numbers]) # ERROR: Wrong kind of value
}

variable "negative" { # ERROR: Duplicate name
  value = -var.nothing
}

variable "negated" {
  value = -var.nothing # ERROR: Unknown variable
}

variable "literals" {
  value = [true, "${true} ${-1}", (1), { (var.numbers) = 1 }] # ERROR: Wrong kind of value
}

variable "concat-1" {
  value = concat() # ERROR: Wrong function arguments
}

variable "join" {
  value = join(["a"], ",") # ERROR: Wrong function arguments
}

variable "upper" {
  value = upper(1) # ERROR: Wrong function arguments
}

variable "min" {
  value = min(var.numbers) # ERROR: Wrong function arguments
}

variable "min-expanded" {
  value = min(var.numbers...) # ERROR: Wrong function arguments
}

variable "max" {
  value = max() # ERROR: Wrong function arguments
}

variable "concat" {
  value = concat("a", ["b"]) # ERROR: Wrong function arguments
}

variable "file" {
  value = file("/etc/passwd") # ERROR: Unknown function
}

variable "secret" {
  value = secret() # ERROR: Wrong function arguments
}

variable "key" {
  value = { a = 1, a = 2 } # ERROR: Duplicate entry
}
