"""`linecall library`: one file for each group of its commands; `group` names them all."""
