package org.rakelight.field

import android.content.Context
import org.rakelight.core.ShellException

/** What went wrong, in the worker's words: what it is, and what to do. */
fun Context.problem(problem: Throwable): Pair<String, String> = when (problem) {
    is ShellException.BadPhoto -> getString(R.string.problem_photo) to getString(R.string.problem_photo_hint)
    is ShellException.NoScale -> getString(R.string.problem_scale) to getString(R.string.problem_scale_hint)
    is ShellException.BadMarks -> getString(R.string.problem_marks) to getString(R.string.problem_marks_hint)
    is ShellException.BadInput -> getString(R.string.problem_input) to getString(R.string.problem_input_hint, problem.detail)
    is ShellException.NotFound -> getString(R.string.problem_gone) to getString(R.string.problem_gone_hint)
    is ShellException.Storage -> getString(R.string.problem_storage) to getString(R.string.problem_storage_hint)
    is ShellException.Busy -> getString(R.string.problem_busy) to getString(R.string.problem_busy_hint)
    is ShellException.KeyLost -> getString(R.string.problem_key) to getString(R.string.problem_key_hint)
    is ShellException.Unreachable -> getString(R.string.problem_unreachable) to getString(R.string.problem_unreachable_hint)
    is ShellException.OtherBase -> getString(R.string.problem_other_base) to getString(R.string.problem_other_base_hint)
    is ShellException.Refused -> getString(R.string.problem_refused) to getString(R.string.problem_refused_hint, problem.detail)
    is ShellException.OtherVersion -> getString(R.string.problem_version) to getString(R.string.problem_version_hint)
    is ShellException.Stopped -> getString(R.string.problem_stopped) to getString(R.string.problem_stopped_hint)
    is ShellException.BadStore -> getString(R.string.problem_store) to getString(R.string.problem_store_hint, problem.detail)
    else -> getString(R.string.problem_other) to getString(R.string.problem_other_hint, problem.toString())
}
