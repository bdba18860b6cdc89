# What a copied block still shares with its original.

site "yard" {}

ups "left" {
  rated_watts = 900
  battery {
    chemistry = "lfp"
    volts     = 24
    amp_hours = 20
    installed = "2025-03-01"
  }
  snmp {
    address = "192.0.2.10"
    version = "1" # WARNING: SNMP without keys
  }
}

ups "right" { # WARNING: One address for two
  rated_watts = 900
  battery {
    chemistry = "lfp"
    volts     = 24
    amp_hours = 20
    installed = "2025-03-01"
  }
  snmp {
    address = "192.0.2.10"
    version = "1"
  }
}

group "linux" {
  stops_in = "1m"
  ssh {
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
    command     = "sudo systemctl poweroff"
  }
}

host "one" {
  group    = "linux"
  priority = 10
  fed_by   = ["left"]
  watts    = 50
  ssh { address = "192.0.2.21" }
  wake { ethernet = "02:00:00:00:00:21" }
}

host "two" { # WARNING: One address for two
  group    = "linux"
  priority = 20
  fed_by   = ["right"]
  watts    = 50
  ssh { address = "192.0.2.21" }
  wake { ethernet = "02:00:00:00:00:22" }
}

host "three" {
  group    = "linux"
  priority = 20
  fed_by   = ["right"]
  watts    = 50
  ssh { address = "192.0.2.23" }
  wake { ethernet = "02:00:00:00:00:22" }
}

# Through the machine of another, by a command of its own: that is no mistake.
host "guest" {
  group    = "linux"
  priority = 5
  runs_on  = "one"
  watts    = 10
  ssh {
    address = "192.0.2.21"
    command = "virsh shutdown guest"
  }
  start { command = "virsh start guest" }
}

host "board" {
  self     = true
  priority = 100
  fed_by   = ["left"]
  watts    = 5
  stops_in = "30s"
  local { command = ["systemctl", "poweroff"] }
}
