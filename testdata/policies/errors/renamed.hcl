# Attributes under the names that they had.

site "barn" {
}

ups "rack" {
  rated_watts = 900
  battery {
    chemistry = "vrla"
    volts     = 24
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
    off_after = "2m"    # ERROR: Unknown attribute
    on_after  = "1 day" # ERROR: Unknown attribute # ERROR: Invalid duration
  }
}

host "board" {
  self     = true
  priority = 10
  fed_by   = ["rack"]
  watts    = 6
  stops_in = "30s"
  local {
    command = ["systemctl", "poweroff"]
  }
}
