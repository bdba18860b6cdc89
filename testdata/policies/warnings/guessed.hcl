# What was not written and could be guessed.

site "barn" {
}

ups "rack" {
  rated_watts = 500
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
    installed = "2025-03-01"
  }
  snmp { # WARNING: SNMP version guessed
    address   = "192.0.2.10"
    user      = "ebbline"
    auth_key  = secret("ups-auth")
    priv_key  = secret("ups-priv")
  }
  output {
    cut_after    = "2m"
    return_after = "1m"
  }
}

ups "shelf" {
  rated_watts = 500
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
    installed = "2025-03-01"
  }
  snmp { # WARNING: SNMP version guessed # WARNING: SNMP without keys
    address   = "192.0.2.11"
    community = secret("ups-read")
  }
}

host "gate" {
  self     = true
  priority = 100
  fed_by   = ["rack"]
  watts    = 8
  stops_in = "30s"
  local {
    command = ["systemctl", "poweroff"]
  }
}
