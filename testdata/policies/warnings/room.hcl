# Limits, sensors and switches that may not do what is expected of them.

site "barn" {
}

ups "rack" {
  class       = "VFI"
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 9
    installed = "2025-03-01"
  }
  snmp {
    address  = "192.0.2.10"
    version  = "3"
    user     = "ebbline"
    auth_key = secret("ups-auth")
    priv_key = secret("ups-priv")
  }
  output {
    cut_after = "5m"
    return_after  = "1m"
  }
}

host "vault" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 85
  stops_in = "3m"
  ssh {
    address  = "192.0.2.20"
    user     = "ebbline"
    key      = secret("ssh-key")
    host_key = "SHA256:iq0cUhHaGQq9zFuCDVYZDvLVXTtGGjuGvjeW2UGGCjk"
  }
}

host "gate" {
  self     = true
  priority = 100
  fed_by   = ["rack"]
  watts    = 6
  stops_in = "20s"
  local { command = ["systemctl", "poweroff"] }
}

temperature "air" { # WARNING: One sensor alone
  limit = 55 # WARNING: Limit above what is made for it
  ups   = "rack" # WARNING: Coarse sensor
}

emergency_off "door" { # WARNING: Where the emergency switch acts
  command = ["/usr/local/bin/door"]
}

emergency_off "wall" {
  cuts    = "input" # WARNING: A UPS that the emergency switch may not reach
  command = ["/usr/local/bin/wall"]
}
