# A card that knows only what is broken.

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
  snmp {
    address  = "192.0.2.10"
    version  = "3"
    user     = "ebbline"
    auth     = "MD5" # WARNING: Weak cryptography
    auth_key = secret("ups-auth")
    priv     = "DES" # WARNING: Weak cryptography
    priv_key = secret("ups-priv")
  }
  output {
    cut_after    = "2m"
    return_after = "1m"
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
