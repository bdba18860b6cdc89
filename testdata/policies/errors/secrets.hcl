# Secrets: written out, unreadable, or used as text. No message repeats one.

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

variable "password" {
  value = "hunter2-in-a-variable"
}

variable "key" {
  value = secret("unreadable-key") # ERROR: Secret cannot be read
}

host "vault" {
  priority = 90
  fed_by   = ["rack"]
  watts    = 85
  stops_in = "1m"
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = var.key
    known_hosts = "/etc/ebbline/known_hosts"
    command     = "echo ${secret("ssh-key")}" # ERROR: Secret inside a text
  }
  bmc {
    protocol = "ipmi"
    address  = "192.0.2.120"
    user     = "ebbline"
    password = "hunter2" # ERROR: Secret expected
  }
  bmc {
    protocol = "ipmi"
    address  = "192.0.2.120"
    user     = secret("user") # ERROR: Wrong kind of value
    password = "hunt${er2}" # ERROR: Secret expected
  }
  bmc {
    protocol = "ipmi"
    address  = "192.0.2.120"
    user     = format("%s", secret("user")) # ERROR: Secret inside a text
    password = var.password # ERROR: Secret expected
  }
  bmc {
    protocol = "ipmi"
    address  = "192.0.2.120"
    user     = "ebbline"
    password = hunter2 # ERROR: Secret expected
  }
  bmc {
    protocol = "ipmi"
    address  = "192.0.2.120"
    user     = "ebbline"
    password = join("", ["hunter2"]) # ERROR: Secret expected
  }
  bmc {
    protocol = "ipmi"
    address  = "192.0.2.120"
    user     = "ebbline"
    password = secret("hunter2!") # ERROR: Wrong function arguments
  }
  bmc {
    protocol = "ipmi"
    address  = "192.0.2.120"
    user     = "ebbline"
    password = secret("unreadable-bmc") # ERROR: Secret cannot be read
  }
  bmc {
    protocol = "ipmi"
    address  = "192.0.2.120"
    user     = "ebbline"
    password = 4711 # ERROR: Secret expected
  }
}
